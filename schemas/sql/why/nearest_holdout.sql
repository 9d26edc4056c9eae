-- one row at most: the hold-out sample that the sample is nearest to, as a share of that one's norm
with held as (
    select distinct on (v.sample_id) v.sample_id, h.case_name, v.vector
    from wh.main.holdout as h
    inner join wh.main.holdout_member as m on m.holdout_id = h.holdout_id
    inner join wh.main.sample_vector as v on v.sample_id = m.sample_id
    where h.attribute = $attribute and h.known_at <= $reserved_until and v.known_at <= $reserved_until
        and v.space = $feature_space
    order by v.sample_id, v.known_at, h.known_at
),
own as (
    select arg_min(v.vector, v.known_at) as vector
    from wh.main.sample_vector as v
    semi join explained_sample as x on x.sample_id = v.sample_id
    where v.space = $feature_space
),
measured as (
    select
        h.sample_id,
        h.case_name,
        list_distance(cast(h.vector as double[]), cast(o.vector as double[])) as distance,
        sqrt(list_inner_product(cast(h.vector as double[]), cast(h.vector as double[]))) as norm
    from held as h
    cross join own as o
    where len(h.vector) = len(o.vector)
)
select
    m.sample_id,
    any_value(m.case_name) as case_name,
    any_value(s.recording_id) as recording_id,
    any_value(s.object_id) as object_id,
    min(m.distance / m.norm) as norm_share
from measured as m
inner join wh.main.sample as s on s.sample_id = m.sample_id
where m.norm > 0 and isfinite(m.distance)
group by m.sample_id
order by norm_share, m.sample_id
limit 1
