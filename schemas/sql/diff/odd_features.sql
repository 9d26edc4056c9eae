-- one row per kind of trouble with the features of the rows that stand: how many samples, and the first of them
with vectors as (
    select v.sample_id, arg_min(len(v.vector), v.known_at) as feature_length
    from sample_vector as v
    semi join row_before as b on b.sample_id = v.sample_id
    where v.space = $feature_space
    group by v.sample_id
),
usual as (
    select mode(feature_length) as feature_length
    from vectors
),
told as (
    select
        b.sample_id,
        case
            when v.sample_id is null then 'features_gone'
            when v.feature_length <> u.feature_length then 'features_of_other_length'
        end as change
    from row_before as b
    left join vectors as v on v.sample_id = b.sample_id
    cross join usual as u
)
select
    change,
    count(*) as row_count,
    list_slice(list(sample_id order by sample_id), 1, $at_most) as sample_ids
from told
where change is not null
group by change
order by change
