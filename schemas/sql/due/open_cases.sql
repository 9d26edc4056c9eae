-- one row per failure case that is worked on: its latest state is open, ready or reopened
select case_name, arg_max(state, known_at) as state
from case_state
group by case_name
having state in ('open', 'ready', 'reopened')
order by case_name
