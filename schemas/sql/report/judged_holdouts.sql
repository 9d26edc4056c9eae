-- one row per frozen hold-out that a model was measured on: how it was drawn, and how many of its members count
with members as (
    select
        holdout_id,
        count(*) as member_count,
        count(distinct group_id) as group_count,
        count(*) filter (where is_seen) as seen_count
    from holdout_member
    group by holdout_id
),
labels as (
    select holdout_id, count(revision_id) as labelled_count
    from holdout_label
    group by holdout_id
),
freezes as (
    select holdout_id, min(known_at) as known_at, min(digest) as digest
    from holdout_freeze
    group by holdout_id
)
select
    z.holdout_id,
    z.case_name,
    z.version,
    h.source,
    h.size_wanted,
    epoch_us(h.known_at) as drawn_at,
    epoch_us(f.known_at) as frozen_at,
    f.digest,
    coalesce(m.member_count, 0) as member_count,
    coalesce(m.group_count, 0) as group_count,
    coalesce(m.seen_count, 0) as seen_count,
    coalesce(l.labelled_count, 0) as labelled_count
from frozen_holdout as z
inner join holdout as h on h.holdout_id = z.holdout_id
inner join freezes as f on f.holdout_id = z.holdout_id
left join members as m on m.holdout_id = z.holdout_id
left join labels as l on l.holdout_id = z.holdout_id
semi join evaluation as e on e.holdout_id = z.holdout_id and e.model_version = $model
where z.attribute = $attribute
order by z.case_name <> 'overall:' || $attribute, z.case_name
