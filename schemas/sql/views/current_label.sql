-- one row per sample that has a counting label revision: the first by origin, then by the later decision;
-- label and revision_id are null where a second look is due
with first_revision as (
    select *
    from standing_revision
    qualify row_number() over (
        partition by sample_id
        order by origin_rank, decided_at desc nulls last, revision_id
    ) = 1
),
disputed as (
    select sample_id, min(because) as because
    from disputed_sample
    group by sample_id
)
select
    r.sample_id,
    r.attribute,
    case when d.sample_id is null then r.present_label end as label,
    case when d.sample_id is null then r.label_value end as label_value,
    case when d.sample_id is null then r.revision_id end as revision_id,
    r.origin,
    r.decided_by,
    r.decided_at,
    r.fix_id,
    r.batch_id,
    r.guideline_sha256,
    d.because as disputed_because,
    r.known_at
from first_revision as r
left join disputed as d on d.sample_id = r.sample_id
