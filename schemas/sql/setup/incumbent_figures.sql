-- one row per case's latest hold-out and figure of the incumbent on it that a case may be judged by: accuracy of all,
-- or the recall of a class
with latest as (
    select attribute, case_name, arg_max(holdout_id, version) as holdout_id
    from holdout
    group by attribute, case_name
)
select
    l.case_name,
    e.slice,
    arg_max(e.value, e.known_at) as value
from latest as l
inner join incumbent as i on i.attribute = l.attribute
inner join evaluation as e on e.holdout_id = l.holdout_id and e.model_version = i.model_version
where (e.slice = 'all' and e.metric = 'accuracy') or (starts_with(e.slice, 'truth=') and e.metric = 'recall')
group by l.case_name, e.slice
order by l.case_name, e.slice
