-- one row per other person who has questions of the filter out: how many (label fixes alone: what they hold beside
-- those is nobody's business), and the last moment (epoch microseconds)
-- until which they are theirs
select l.holder, count(*) as questions, epoch_us(max(l.leased_until)) as leased_until
from fix_lease as l
inner join open_question as q on q.fix_id = l.fix_id
anti join fix_answer as a on a.fix_id = l.fix_id and a.annotator = l.holder
where l.leased_until > $now
    and q.kind = 'fix'
    and l.holder is distinct from $annotator
    and ($attribute is null or q.attribute = $attribute)
    and ($case_name is null or list_contains(q.case_names, $case_name))
group by l.holder
order by l.holder
