-- one row per training set and model: what somebody may have meant
select version as name from training_set
union
select model_version from model
order by 1
