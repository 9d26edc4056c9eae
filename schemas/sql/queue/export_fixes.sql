-- one row per open fix that still wants answers, in an order that gives nothing away
with severities as (
    select
        case_name,
        case arg_max(severity, known_at) when 'high' then 1 when 'medium' then 2 else 3 end as severity_rank,
        arg_max(definition, known_at) as definition
    from failure_case
    group by case_name
),
worst_case as (
    select r.fix_id, arg_min(r.case_name, (v.severity_rank, r.case_name)) as case_name
    from fix_request as r
    inner join severities as v on v.case_name = r.case_name
    group by r.fix_id
)
select
    o.fix_id,
    o.sample_id,
    k.recording_id,
    k.object_id,
    k.observed_at,
    o.attribute,
    case when $is_open then coalesce(v.definition->>'question', q.question) else q.question end as question,
    q.allowed_labels,
    k.media_uri,
    k.context,
    case when $is_open then coalesce(p.predicted, cast(p.predicted_value as varchar)) end as predicted,
    case when $is_open then coalesce(l.label, cast(l.label_value as varchar)) end as current_label,
    case when $is_open then w.case_name end as case_name,
    case when $is_open then o.reason end as reason,
    case when $is_open then o.priority end as priority
from chosen_fix as o
inner join known_sample as k on k.sample_id = o.sample_id
inner join neutral_question as q on q.attribute = o.attribute
left join current_prediction as p on p.sample_id = o.sample_id
left join current_label as l on l.sample_id = o.sample_id
left join worst_case as w on w.fix_id = o.fix_id
left join severities as v on v.case_name = w.case_name
order by o.attribute, o.fix_id
