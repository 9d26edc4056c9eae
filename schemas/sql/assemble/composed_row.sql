-- one row per wished sample, with its present label, group and features, and why it must stay out, if so
create or replace temp table composed_row as
with vectors as (
    select
        v.sample_id,
        arg_min(len(v.vector), v.known_at) as feature_length,
        arg_min(isfinite(list_sum(v.vector)), v.known_at) as is_finite
    from sample_vector as v
    semi join wished_row as w on w.sample_id = v.sample_id
    where v.space = $feature_space and v.attribute = $attribute
    group by v.sample_id
),
-- what was reserved at the draw, and the groups that its members belong to by what is known of them today
reserved as (
    select group_id
    from wh.main.holdout_reserved
    where attribute = $attribute and known_at <= $reserved_until
    union
    select g.group_id
    from wh.main.holdout_member as m
    inner join wh.main.holdout as h on h.holdout_id = m.holdout_id
    inner join grouped_sample as g on g.sample_id = m.sample_id
    where h.attribute = $attribute and h.known_at <= $reserved_until
),
-- what the watch asks about, and the fixes that settle it: a label carried along a track names the fix of another sample
watched as (
    select s.sample_id
    from wh.main.watch_sample as s
    where s.attribute = $attribute and s.known_at <= $reserved_until
        and s.week not in (
            select week from wh.main.watch_close where attribute = $attribute and known_at <= $reserved_until
        )
),
watch_fix as (
    select f.fix_id
    from wh.main.label_fix as f
    semi join watched as a on a.sample_id = f.sample_id
),
judged as (
    select
        w.sample_id,
        g.group_id,
        g.recording_id,
        l.revision_id,
        l.label,
        l.label_value,
        l.origin,
        l.decided_at,
        l.known_at as settled_at,
        coalesce(w.fix_id, l.fix_id) as fix_id,
        w.reason,
        w.prediction_id,
        coalesce(w.case_names, case when w.reason <> 'base' then c.case_names end) as case_names,
        v.feature_length,
        v.is_finite,
        a.sample_id is not null or f.fix_id is not null as is_watched,
        r.group_id is not null or z.sample_id is not null as is_reserved,
        l.fix_id is null or not $is_audited or coalesce(k.verdict = 'passed', false) as lot_passed,
        b.why as barred_why,
        b.note
    from wished_row as w
    inner join grouped_sample as g on g.sample_id = w.sample_id
    left join current_label as l on l.sample_id = w.sample_id
    left join vectors as v on v.sample_id = w.sample_id
    left join concerned_case as c on c.sample_id = w.sample_id
    left join fix_lot as k on k.fix_id = l.fix_id
    left join watched as a on a.sample_id = w.sample_id
    left join watch_fix as f on f.fix_id = l.fix_id
    left join reserved as r on r.group_id = g.group_id
    left join later_reserved as z on z.sample_id = w.sample_id
    left join barred_row as b on b.sample_id = w.sample_id
)
select
    * exclude (barred_why, note, is_watched),
    case
        when barred_why = 'restricted' then 'restricted'
        when revision_id is null then 'no_label'
        when is_reserved then 'reserved'
        when is_watched then 'watch_open'
        when barred_why is not null then barred_why
        when not lot_passed then 'lot_open'
        when feature_length is null then 'no_features'
    end as why,
    note
from judged
