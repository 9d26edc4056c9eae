-- one row per training row with what the checks must know of it: its recording, whether the parent has it, the
-- targeted case it was added for, its label's guideline, and the first thing that its lineage lacks (null: nothing)
create or replace temp table judged_row as
with recordings as (
    select sample_id, any_value(recording_id) as recording_id
    from sample
    where attribute = $attribute
    group by sample_id
),
revisions as (
    select revision_id, sample_id, origin, fix_id, batch_id, guideline_sha256
    from label_revision
    where attribute = $attribute
),
fixes as (
    select f.fix_id, e.outcome
    from label_fix as f
    left join fix_end as e on e.fix_id = f.fix_id
    where f.attribute = $attribute
),
files as (
    select distinct batch_id
    from pull_batch
    where source_uri is not null
),
flags as (
    select distinct prediction_id
    from misprediction
    where attribute = $attribute
),
predictions as (
    select p.prediction_id, p.sample_id, b.batch_id, f.prediction_id as flagged_id
    from prediction as p
    semi join assembled as a on a.prediction_id = p.prediction_id
    left join files as b on b.batch_id = p.batch_id
    left join flags as f on f.prediction_id = p.prediction_id
    where p.attribute = $attribute
)
select
    a.sample_id,
    a.label,
    a.label_value,
    a.origin,
    a.settled_at,
    a.reason,
    a.fix_id,
    a.case_names,
    a.feature_length,
    a.is_finite,
    a.is_reserved,
    a.lot_passed,
    s.recording_id,
    r.fix_id is not null as is_from_fix,
    r.guideline_sha256,
    o.sample_id is null as is_new,
    case when o.sample_id is null and a.reason <> 'base' then a.case_name end as added_for,
    case
        when s.recording_id is null then 'recording'
        when r.revision_id is null then 'label revision'
        when r.origin is null then 'origin of its label'
        when a.reason is null then 'reason'
        when r.fix_id is null and b.batch_id is null then 'file of its label'
        when r.fix_id is not null and a.fix_id is null then 'label fix'
        when r.fix_id is not null and x.fix_id is null then 'label fix'
        when r.fix_id is not null and x.outcome is distinct from 'settled' then 'settlement of its label fix'
        when a.reason = 'fixed' and p.prediction_id is null then 'prediction'
        when a.reason = 'fixed' and p.batch_id is null then 'file of its prediction'
        when a.reason = 'fixed' and p.flagged_id is null then 'rule that flagged its prediction'
    end as lacks
from assembled as a
left join recordings as s on s.sample_id = a.sample_id
left join revisions as r on r.revision_id = a.revision_id and r.sample_id = a.sample_id
left join files as b on b.batch_id = r.batch_id
left join fixes as x on x.fix_id = r.fix_id
left join predictions as p on p.prediction_id = a.prediction_id and p.sample_id = a.sample_id
left join parent_row as o on o.sample_id = a.sample_id
