-- one row: the erasure
insert into erasure by name
select
    $tombstone as tombstone,
    (select coalesce(list(version order by attribute, running_number), []) from concerned_version) as versions,
    (select coalesce(list(model_version order by model_version), []) from concerned_model) as models,
    $known_at as known_at,
    $scope as scope,
    $inside as inside,
    $key_check as key_check,
    (select coalesce(list(holdout_id order by holdout_id), []) from concerned_holdout) as holdouts,
    $because as because,
    $counts as counts
