-- one row per model that was trained on a training set with the sample
with decided as (
    select model_version, arg_max(decision, known_at) as decision
    from sign_off
    group by model_version
)
select
    d.training_set_version as version,
    d.model_version,
    d.role,
    s.decision,
    i.model_version is not null as is_incumbent,
    epoch_us(d.known_at) as known_at
from model as d
inner join training_set_member as m on m.version = d.training_set_version
semi join explained_sample as x on x.sample_id = m.sample_id
left join decided as s on s.model_version = d.model_version
left join incumbent as i on i.model_version = d.model_version
order by d.known_at, d.model_version
