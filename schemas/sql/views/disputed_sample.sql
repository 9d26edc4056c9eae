-- one row per sample and reason why its label is open until a second look: its latest attempt gave none (one
-- that was withdrawn, or whose lot failed, says nothing), or its revisions of the winning origin disagree
-- without a later decision (numbers: by more than the tolerance)
with last_attempt as (
    select f.sample_id, arg_max(e.outcome, f.attempt) as outcome
    from label_fix as f
    inner join fix_end as e on e.fix_id = f.fix_id
    where e.outcome in ('settled', 'ambiguous', 'unusable')
    group by f.sample_id
),
tolerances as (
    select attribute, cast((arg_max(definition, known_at)->>'tolerance') as double) as tolerance
    from attribute_definition
    group by attribute
),
several as (
    select sample_id
    from standing_revision
    group by sample_id
    having count(*) > 1
),
ranked as (
    select
        s.*,
        row_number() over (
            partition by s.sample_id
            order by s.origin_rank, s.decided_at desc nulls last, s.revision_id
        ) as place
    from standing_revision as s
    semi join several as m on m.sample_id = s.sample_id
)
select sample_id, outcome as because
from last_attempt
where outcome <> 'settled'
union
select w.sample_id, 'labels disagree' as because
from ranked as w
inner join ranked as s on s.sample_id = w.sample_id and s.origin_rank = w.origin_rank
left join tolerances as t on t.attribute = w.attribute
where w.place = 1
    and (
        s.present_label is distinct from w.present_label
        or abs(s.label_value - w.label_value) > coalesce(t.tolerance, 0.0) * (1 + 1e-9)
    )
    and (s.decided_at is null or w.decided_at is null or s.decided_at = w.decided_at)
