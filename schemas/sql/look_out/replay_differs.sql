-- one row per model version (its attribute before it) of which what was served and what was replayed in the last four weeks differ on more than
-- a share $at_most of the samples that have both
with pairs as (
    select
        s.model_version, s.attribute,
        case
            when s.predicted_value is null and r.predicted_value is null then s.predicted is distinct from r.predicted
            else coalesce(abs(s.predicted_value - r.predicted_value) > coalesce($tolerance, 0) * (1 + 1e-9), true)
        end as is_different
    from prediction as s
    inner join prediction as r on r.sample_id = s.sample_id and r.model_version = s.model_version
    where s.attribute = $attribute and s.role = 'served' and r.role = 'replay'
        and s.observed_at >= $first::timestamptz and s.observed_at < $now::timestamptz
        and r.observed_at >= $first::timestamptz and r.observed_at < $now::timestamptz
)

select
    attribute || ', ' || model_version as subject,
    format(
        'of {} samples of {} that it served and was replayed on, {} differ ({:.1f} %, at most {:.1f} %); look whether '
            || 'the model in service is the file that is registered, and gets the same inputs',
        count(*), attribute, count(*) filter (where is_different), 100 * avg(cast(is_different as integer)),
        100 * $at_most::double
    ) as message,
    true as is_known
from pairs
group by model_version, attribute
having avg(cast(is_different as integer)) > $at_most
order by subject
