-- one row per hold-out that held one of the samples, frozen or not, with how many of its members they are
create or replace temp table concerned_holdout as
select
    h.holdout_id,
    h.case_name,
    h.attribute,
    h.version,
    count(*) as members,
    count(*) filter (where s.sample_id is not null) as erased_members,
    h.holdout_id in (select holdout_id from holdout_freeze) as is_frozen
from holdout as h
inner join holdout_member as m on m.holdout_id = h.holdout_id
left join erased_sample as s on s.sample_id = m.sample_id
group by h.holdout_id, h.case_name, h.attribute, h.version
having count(*) filter (where s.sample_id is not null) > 0
