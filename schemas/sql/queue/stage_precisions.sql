-- one row per rule of the attribute: how often what it doubted, and people then settled, was an error: (k + 1) / (n + 2)
-- of n flags that were raised without a truth and settled by a fix, k of them errors
insert into rule_precision
with settled as (
    select f.sample_id, r.label, r.label_value
    from label_fix as f
    inner join fix_end as o on o.fix_id = f.fix_id
    inner join label_revision as r on r.fix_id = f.fix_id and r.sample_id = f.sample_id
    where f.attribute = $attribute and o.outcome = 'settled'
),
judged as (
    select
        m.rule,
        m.prediction_id,
        bool_or(
            coalesce(n.present_label, p.predicted) <> coalesce(c.present_label, s.label)
            or abs(p.predicted_value - s.label_value) > $tolerance * (1 + 1e-9)
        ) as is_error
    from misprediction as m
    inner join settled as s on s.sample_id = m.sample_id
    inner join prediction as p on p.prediction_id = m.prediction_id
    left join renamed_label as n on n.attribute = p.attribute and n.old_label = p.predicted
    left join renamed_label as c on c.attribute = p.attribute and c.old_label = s.label
    where m.attribute = $attribute and m.revision_id is null
    group by m.rule, m.prediction_id
)
select $attribute, rule, (count(*) filter (where is_error) + 1) / (count(*) + 2)
from judged
group by rule
