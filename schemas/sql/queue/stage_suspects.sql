-- one row per sample that may be doubted and without a truth: a wide net, cheap to draw, for the views to look
-- at closely
create or replace temp table suspect_sample as
select m.sample_id
from misprediction as m
anti join misprediction_lapse as x on x.misprediction_id = m.misprediction_id
where m.revision_id is null
union
select sample_id
from label_revision
group by sample_id
having count(*) > 1
union
select f.sample_id
from label_fix as f
inner join fix_end as e on e.fix_id = f.fix_id
where e.outcome in ('ambiguous', 'unusable')
