-- one row per hold-out of the list, with the members that it has
select
    h.holdout_id,
    h.case_name,
    h.attribute,
    h.version,
    h.holdout_id in (select holdout_id from holdout_freeze) as is_frozen,
    (
        select count(*)
        from holdout_member as m
        where m.holdout_id = h.holdout_id
            and m.sample_id not in (select sample_id from erased_sample)
    ) as members_left
from holdout as h
where list_contains(cast($holdouts as varchar[]), h.holdout_id)
order by h.attribute, h.case_name, h.version
