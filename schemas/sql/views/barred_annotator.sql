-- one row per question and person who may not answer it: whoever decided what it tests or audits, or decided the
-- sample in a lot that failed, or so that an audit found it wrong
select i.fix_id, a.annotator
from audit_item as i
inner join fix_answer as a on a.fix_id = i.audited_fix_id and a.known_at <= i.known_at
union
select k.fix_id, a.annotator
from known_item as k
inner join label_revision as r on r.revision_id = k.revision_id
inner join fix_answer as a on a.fix_id = r.fix_id
union
select k.fix_id, unnest(string_split(r.decided_by, ',')) as annotator
from known_item as k
inner join label_revision as r on r.revision_id = k.revision_id
where r.fix_id is null and r.decided_by is not null
union
select f.fix_id, a.annotator
from label_fix as f
inner join label_fix as e on e.sample_id = f.sample_id and e.attempt < f.attempt
inner join fix_outcome as o on o.fix_id = e.fix_id
left join audit_item as i on i.audited_fix_id = e.fix_id
inner join fix_answer as a on a.fix_id = e.fix_id
where o.outcome = 'lot_failed' or (o.outcome = 'withdrawn' and i.fix_id is not null)
