-- one row per confusion among the flagged samples with a truth that belong to no failure case
select f.attribute, f.truth, f.predicted, count(*) as sample_count
from flagged_sample as f
anti join case_member as m on m.sample_id = f.sample_id
where f.truth <> f.predicted
group by f.attribute, f.truth, f.predicted
order by sample_count desc, f.attribute, f.truth, f.predicted
