-- one row per question to hand out: the first of the ranked ones, and the known items, which take the last places
create or replace temp table chosen_fix as
select * exclude (place)
from ranked_fix
where place <= $at_most - (select count(*) from chosen_known)
union all by name
select fix_id, sample_id, attribute, attempt, 'known' as kind, 0.0 as priority, answer_count
from chosen_known
