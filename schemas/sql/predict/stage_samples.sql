-- one row per sample of the attribute in the file, the first where it stands there twice
create or replace temp table sample_row as
with typed as (
    select
        row_number() over () as line,
        nfc_normalize(cast(recording_id as varchar)) as recording_id,
        nfc_normalize(cast(object_id as varchar)) as object_id,
        try_cast(observed_at as timestamptz) as observed_at,
        coalesce(cast(attribute as varchar), $attribute) as attribute,
        cast(unit_id as varchar) as unit_id,
        cast(media_uri as varchar) as media_uri,
        case when typeof(context) in ('VARCHAR', 'JSON') then cast(context as varchar)
            else cast(to_json(context) as varchar) end as context,
        try_cast(features as float[]) as features,
        coalesce(cast(feature_version as varchar), '1') as feature_version,
        try_cast(embedding as float[]) as embedding,
        -- an embedding that names no embedder is the model's whose log this is, not that of the one run now
        coalesce(cast(embedder as varchar), case when embedding is not null then cast(model_version as varchar) end)
            as embedder
    from input_row
)
select
    make_sample_id(recording_id, object_id, observed_at, attribute) as sample_id,
    *,
    coalesce(recording_id, '') = '' or coalesce(object_id, '') = ''
        or observed_at is null or (features is null and $needs_features) as is_bad,
    features is not null and feature_version <> $feature_version as is_foreign
from typed
where attribute = $attribute
qualify row_number() over (partition by sample_id order by line) = 1
order by sample_id
