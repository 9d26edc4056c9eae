-- one row per row whose label is suspected to be wrong, if they are a greater share of the labels judged than allowed;
-- one that does not offend where there is none, and one that does where no label could be judged
with counted as (
    select count(*) as suspected_count
    from suspected_row
)

select
    suspected_row.sample_id,
    case
        when $looked_at::bigint = 0 then 'no label could be judged: too few rows, or groups, with the same label'
        else format(
            '{:.3f} of the labels judged ({} of {}) are suspected to be wrong; at most {:.3f}',
            counted.suspected_count / $looked_at::bigint,
            counted.suspected_count, $looked_at::bigint, $at_most::double
        )
    end as observed,
    $looked_at::bigint = 0
        or (suspected_row.sample_id is not null and counted.suspected_count > $at_most * $looked_at::bigint)
        as is_offending
from counted
left join suspected_row on true
