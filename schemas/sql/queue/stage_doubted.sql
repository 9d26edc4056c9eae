-- one row per doubted sample without a truth and case that has it as a member (null: none but parked ones)
insert into wanted_fix
with parked as (
    select case_name
    from case_state
    group by case_name
    having arg_max(state, known_at) = 'parked'
),
members as (
    select m.sample_id, m.case_name
    from present_member as m
    anti join parked as p on p.case_name = m.case_name
),
failed_attempts as (
    select f.sample_id, count(*) as failed
    from label_fix as f
    inner join fix_outcome as o on o.fix_id = f.fix_id
    where o.outcome in ('ambiguous', 'unusable')
    group by f.sample_id
),
flagged as (
    select
        sample_id,
        arg_max(prediction_id, (score, prediction_id)) as prediction_id,
        arg_max(misprediction_id, (score, prediction_id)) as misprediction_id,
        max(score) as score,
        list_distinct(flatten(list(rules))) as rules,
        bool_or(list_contains($critical, predicted)) as is_critical
    from flagged_sample
    where attribute = $attribute and truth is null and truth_value is null
    group by sample_id
),
disputed as (
    select distinct d.sample_id
    from disputed_sample as d
    inner join known_sample as k on k.sample_id = d.sample_id
    where k.attribute = $attribute
),
doubted as (
    select
        coalesce(f.sample_id, d.sample_id) as sample_id,
        case when d.sample_id is null then 'flagged' else 'second_look' end as reason,
        f.prediction_id,
        f.misprediction_id,
        f.score,
        f.rules,
        coalesce(f.is_critical, false) as is_critical
    from flagged as f
    full outer join disputed as d on d.sample_id = f.sample_id
),
reserved as (
    select g.sample_id
    from grouped_sample as g
    inner join holdout_reserved as r on r.attribute = g.attribute and r.group_id = g.group_id
    where g.attribute = $attribute
),
severities as (
    select case_name, arg_max(severity, known_at) as severity
    from failure_case
    group by case_name
),
precisions as (
    select d.sample_id, max(coalesce(p.precision, 0.5)) as precision
    from (select sample_id, unnest(rules) as rule from doubted) as d
    left join rule_precision as p on p.attribute = $attribute and p.rule = d.rule
    group by d.sample_id
)
select
    d.sample_id,
    $attribute,
    d.reason,
    fix_priority(
        d.reason, v.severity, d.is_critical, d.score, rule_precision := p.precision, case_share := z.share
    ),
    m.case_name,
    d.misprediction_id,
    d.prediction_id,
    $guideline_sha256
from doubted as d
left join failed_attempts as a on a.sample_id = d.sample_id
left join members as m on m.sample_id = d.sample_id
left join severities as v on v.case_name = m.case_name
left join precisions as p on p.sample_id = d.sample_id
left join case_share as z on z.case_name = m.case_name
where coalesce(a.failed, 0) < 2
    and (d.reason = 'second_look' or d.sample_id not in (select sample_id from reserved))
