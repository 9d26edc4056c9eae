-- one row per served sample of the case's attribute that matches its scope.where (scope_match: its view); margin,
-- track and room are mining's to fill
create or replace temp table likeness_candidate as
select
    s.sample_id,
    g.group_id,
    p.predicted,
    p.confidence,
    p.scores,
    p.prediction_id,
    1.0 as margin,
    cast(0 as ubigint) as track,
    cast(1 as bigint) as room
from scope_match as s
inner join current_prediction as p on p.sample_id = s.sample_id
inner join grouped_sample as g on g.sample_id = s.sample_id
where s.attribute = $attribute
