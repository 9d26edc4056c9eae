-- one row at most: how a person's name is spelt in answers so far, where it differs in case or blanks alone
select min(annotator) as annotator
from fix_answer
where lower(regexp_replace(annotator, '\s', '', 'g')) = lower(regexp_replace($annotator, '\s', '', 'g'))
having min(annotator) is not null and not bool_or(annotator = $annotator)
