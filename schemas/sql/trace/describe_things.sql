-- one row per thing of the list: a few words that say what it is
with counted as (
    select version, reason, count(*) as row_count
    from training_set_member
    where version in (select unnest($ids))
    group by version, reason
),
reasons as (
    select version, ': ' || string_agg(row_count || ' ' || reason, ', ' order by reason) as reasons
    from counted
    group by version
)
select 'training_set' as kind, v.version as id, v.row_count || ' rows, ' || v.state || r.reasons as words
from training_set as v
left join reasons as r on r.version = v.version
where v.version in (select unnest($ids))
union all
select 'model', model_version, role || coalesce(', ' || trainer, '')
from model where model_version in (select unnest($ids))
union all
select
    'label_revision',
    revision_id,
    coalesce(label, cast(label_value as varchar)) || ', by a ' || origin || coalesce(' (' || decided_by || ')', '')
from label_revision where revision_id in (select unnest($ids))
union all
select 'label_fix', fix_id, 'asked as ' || reason || ', attempt ' || attempt
from label_fix where fix_id in (select unnest($ids))
union all
select
    'prediction',
    prediction_id,
    coalesce(predicted, cast(predicted_value as varchar)) || ' by ' || model_version || ', ' || role
from prediction where prediction_id in (select unnest($ids))
union all
select 'file', batch_id, arg_min(source_uri, known_at)
from pull_batch where batch_id in (select unnest($ids)) group by batch_id
union all
select 'misprediction', misprediction_id, 'rule ' || rule
from misprediction where misprediction_id in (select unnest($ids))
union all
select
    'sample',
    sample_id,
    any_value(recording_id) || ', ' || any_value(object_id) || ', '
    || strftime(any_value(observed_at), '%Y-%m-%dT%H:%M:%SZ')
from sample where sample_id in (select unnest($ids)) group by sample_id
union all
select 'holdout', holdout_id, case_name || ', version ' || version
from holdout where holdout_id in (select unnest($ids))
