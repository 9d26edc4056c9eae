-- one row: what the staged file holds, and what of it concerns a backfill and is not stored yet
with wanted as (
    select distinct
        make_prediction_id(sample_id, model_version, role, predicted, predicted_value) as prediction_id
    from staged_row
    where reason is null
        and role = 'served'
        and attribute = $attribute
        and observed_at >= $since
        and observed_at < $until
)
select
    (select count(*) from staged_row) as row_count,
    (select count(*) from staged_row where reason is not null) as refused,
    (
        select count(*)
        from wanted as w
        anti join (
            select prediction_id
            from prediction
            where attribute = $attribute and observed_at >= $since and observed_at < $until
        ) as p on p.prediction_id = w.prediction_id
    ) as predictions,
    exists (select 1 from pull_batch where content_sha256 = $content_sha256) as is_known
