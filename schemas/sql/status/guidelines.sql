-- one row per attribute and guideline: the labels of settled fixes that no later fix replaced
with replaced as (
    select supersedes as revision_id from label_revision where supersedes is not null
)
select r.attribute, r.guideline_sha256, count(*) as label_count
from label_revision as r
anti join replaced as d on d.revision_id = r.revision_id
where r.fix_id is not null
group by r.attribute, r.guideline_sha256
