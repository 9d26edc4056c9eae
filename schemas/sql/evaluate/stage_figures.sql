-- one row per figure: the lists hold an entry a figure each
insert into new_evaluation
select
    unnest($model_version::varchar[]),
    unnest($holdout_id::varchar[]),
    unnest($slice::varchar[]),
    unnest($metric::varchar[]),
    unnest($value::double[]),
    unnest($low::double[]),
    unnest($high::double[]),
    unnest($n::bigint[])
