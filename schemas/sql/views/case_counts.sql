-- one row per failure case: how much of it is flagged, asked, settled, held out, in training
with cases as (
    select case_name, arg_max(attribute, known_at) as attribute
    from failure_case
    group by case_name
),
flagged as (
    select m.case_name, count(*) as flagged
    from present_member as m
    semi join live_flag as f on f.sample_id = m.sample_id
    group by m.case_name
),
queued as (
    select q.case_name, count(distinct q.fix_id) as queued
    from fix_request as q
    semi join open_fix as o on o.fix_id = q.fix_id
    group by q.case_name
),
concerned as (
    select case_name, sample_id from present_member
    union
    select q.case_name, f.sample_id
    from fix_request as q
    inner join label_fix as f on f.fix_id = q.fix_id
    where q.case_name is not null
),
settled as (
    select c.case_name, count(*) as settled
    from concerned as c
    inner join current_label as l on l.sample_id = c.sample_id
    where l.revision_id is not null
    group by c.case_name
),
held_out as (
    select z.case_name, count(*) as held_out
    from frozen_holdout as z
    semi join cases as c on c.case_name = z.case_name and c.attribute = z.attribute
    inner join holdout_member as m on m.holdout_id = z.holdout_id
    group by z.case_name
),
latest_version as (
    select attribute, arg_max(version, known_at) as version
    from training_set
    where state = 'passed'
    group by attribute
),
named as (
    select unnest(m.case_names) as case_name
    from training_set_member as m
    semi join latest_version as v on v.version = m.version
),
in_training as (
    select case_name, count(*) as in_training
    from named
    group by case_name
)
select
    c.case_name,
    coalesce(f.flagged, 0) as flagged,
    coalesce(q.queued, 0) as queued,
    coalesce(s.settled, 0) as settled,
    coalesce(h.held_out, 0) as held_out,
    coalesce(t.in_training, 0) as in_training
from cases as c
left join flagged as f on f.case_name = c.case_name
left join queued as q on q.case_name = c.case_name
left join settled as s on s.case_name = c.case_name
left join held_out as h on h.case_name = c.case_name
left join in_training as t on t.case_name = c.case_name
