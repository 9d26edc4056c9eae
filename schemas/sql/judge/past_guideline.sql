-- one row if a question was asked: the guideline of the latest one
select guideline_sha256
from label_fix
where attribute = $attribute and guideline_sha256 is not null
order by known_at desc
limit 1
