-- one row per thing that the warehouse already knows of a contested sample; it stands before all rows of a log
create or replace temp table claim as
with contested as (
    select distinct sample_id from contested_row
),
known as (
    select s.*
    from sample as s
    semi join contested as c on c.sample_id = s.sample_id
    where s.observed_at between $low and $high
)
select -1::bigint as place, sample_id, 'sample' as adds, 'sample' as subject, '' as value, 0.0::double as number
from known
union
select -1, sample_id, 'sample', 'unit_id', unit_id, 0.0 from known where unit_id is not null
union
select -1, sample_id, 'sample', 'media_uri', media_uri, 0.0 from known where media_uri is not null
union
select -1, sample_id, 'sample', 'context', cast(context as varchar), 0.0 from known where context is not null
union
select
    -1, p.sample_id, 'prediction', name_prediction(p.model_version, p.role),
    spell_prediction(p.predicted, p.predicted_value, cast(p.scores as varchar), p.predicted_at),
    coalesce(p.confidence, -1.0)
from prediction as p
semi join contested as c on c.sample_id = p.sample_id
where p.observed_at between $low and $high
union
select -1, v.sample_id, 'features', 'vector ' || v.space, cast(hash(v.vector) as varchar), 0.0
from sample_vector as v
semi join contested as c on c.sample_id = v.sample_id
where v.observed_at between $low and $high
union
select -1, r.sample_id, 'revision', 'revision ' || r.revision_id, '', 0.0
from label_revision as r
semi join contested as c on c.sample_id = r.sample_id
where r.observed_at between $low and $high
