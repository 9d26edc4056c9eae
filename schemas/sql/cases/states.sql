-- one row per state that a case has had, in order
select state, because, decided_by, epoch_us(known_at) as known_at
from case_state
where case_name = $case_name
order by case_state.known_at, state
