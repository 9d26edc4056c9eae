-- one row per version that held one of the samples, or that left a row out because it was near one of them (in its
-- own space and within its own limit, a thousandth more): what it would be made of today is another set
create or replace temp table concerned_version as
with held as (
    select m.version, count(*) as row_count
    from training_set_member as m
    semi join erased_sample as s on s.sample_id = m.sample_id
    group by m.version
),
guarded as (
    select distinct h.attribute, h.known_at, v.space, v.vector
    from holdout_member as m
    semi join erased_sample as s on s.sample_id = m.sample_id
    inner join holdout as h on h.holdout_id = m.holdout_id
    inner join sample_vector as v on v.sample_id = m.sample_id
),
left_near as (
    select
        t.version,
        t.attribute,
        t.reserved_until,
        (t.composition->>'feature_space') as space,
        cast((t.composition->>'near_duplicate') as double) as near_duplicate,
        f.sample_id
    from check_failure as f
    inner join training_set as t on t.version = f.version
    anti join erased_sample as s on s.sample_id = f.sample_id
    where f.check_name = 'near_duplicates_left_out'
        and t.attribute in (select attribute from guarded)
),
kept_away as (
    select n.version, count(distinct n.sample_id) as row_count
    from left_near as n
    inner join sample_vector as v on v.sample_id = n.sample_id and v.space = n.space
    inner join guarded as g on g.attribute = n.attribute and g.space = n.space
    where g.known_at <= n.reserved_until
        and len(g.vector) = len(v.vector)
        and list_distance(v.vector, g.vector)
            <= n.near_duplicate * sqrt(list_inner_product(g.vector, g.vector)) * 1.001
    group by n.version
)
select
    coalesce(h.version, k.version) as version,
    coalesce(h.row_count, 0) as held_rows,
    coalesce(k.row_count, 0) as kept_away_rows,
    t.attribute,
    t.running_number
from held as h
full outer join kept_away as k on k.version = h.version
inner join training_set as t on t.version = coalesce(h.version, k.version)
