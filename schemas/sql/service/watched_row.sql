-- one row per sample of the watch and served prediction of it: whether that was wrong by a person's word (null: nobody
-- has said, or not yet), whether its week still has a question that nobody answered, which rules doubted it before
-- anybody had, and which cases count it as their own
with latest_rule as (
    select rule, attribute, arg_max(coalesce(definition_sha256, ''), known_at) as definition_sha256
    from rule_definition
    group by rule, attribute
),
doubts as (
    select m.prediction_id, list_sort(list(distinct m.rule)) as rules
    from misprediction as m
    inner join latest_rule as r
        on r.rule = m.rule and r.attribute = m.attribute and r.definition_sha256 = m.definition_sha256
    where m.rule <> 'label_disagrees' and m.revision_id is null
    group by m.prediction_id
),
latest_case as (
    select case_name, arg_max(definition_sha256, known_at) as definition_sha256
    from failure_case
    group by case_name
),
members as (
    select m.prediction_id, list_sort(list(distinct m.case_name)) as case_names
    from case_member as m
    inner join latest_case as c on c.case_name = m.case_name and c.definition_sha256 = m.definition_sha256
    group by m.prediction_id
),
first_label as (
    select sample_id, min(known_at) as known_at
    from label_revision
    group by sample_id
),
ended as (
    select f.sample_id, arg_max(e.outcome, f.attempt) as outcome
    from label_fix as f
    inner join fix_end as e on e.fix_id = f.fix_id
    group by f.sample_id
),
logged as (
    select p.prediction_id, min(p.known_at) as known_at
    from prediction as p
    semi join watch_focus as w on w.sample_id = p.sample_id
    where p.attribute = $attribute and p.role = 'served'
    group by p.prediction_id
),
asked_week as (
    select
        w.week,
        count(*) as sample_count,
        count(*) filter (where o.sample_id is not null and l.origin is distinct from 'person') as open_count
    from watch_sample as w
    left join (select distinct sample_id from open_fix) as o on o.sample_id = w.sample_id
    left join current_label as l on l.sample_id = w.sample_id
    where w.attribute = $attribute
    group by w.week
),
-- a week that is closed does without the answers that never came, if they are few
unanswered_week as (
    select a.week
    from asked_week as a
    left join watch_close as c on c.attribute = $attribute and c.week = a.week
    where a.open_count > case when c.week is null then 0 else a.sample_count / 20 end
)
select
    w.week,
    w.part,
    w.sample_id,
    w.inclusion_probability,
    s.model_version,
    g.known_at as logged_at,
    s.recording_id,
    s.object_id,
    s.unit_id,
    case
        when l.origin is distinct from 'person' or l.revision_id is null then null
        when $tolerance is null then s.predicted is distinct from s.truth
        else abs(s.predicted_value - s.truth_value) > $tolerance * (1 + 1e-9)
    end as is_error,
    o.sample_id is not null as is_open,
    u.week is null as is_week_answered,
    e.outcome in ('ambiguous', 'unusable') as is_without_label,
    f.known_at is null or f.known_at > w.known_at as was_unlabelled,
    coalesce(d.rules, []) as rules,
    coalesce(m.case_names, []) as case_names
from watch_sample as w
inner join served_sample as s on s.sample_id = w.sample_id
inner join logged as g on g.prediction_id = s.prediction_id
left join unanswered_week as u on u.week = w.week
left join current_label as l on l.sample_id = w.sample_id
left join (select distinct sample_id from open_fix) as o on o.sample_id = w.sample_id
left join ended as e on e.sample_id = w.sample_id
left join first_label as f on f.sample_id = w.sample_id
left join doubts as d on d.prediction_id = s.prediction_id
left join members as m on m.prediction_id = s.prediction_id
where w.attribute = $attribute
order by w.week, w.part, w.sample_id, s.model_version
