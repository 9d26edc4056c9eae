-- one row per row whose label was decided under another guideline than the present one, if they are a greater share
-- of the rows than allowed; one that does not offend where there is none
with outdated as (
    select sample_id
    from checked_row
    where is_from_fix and guideline_sha256 is distinct from $guideline_sha256
),

counted as (
    select
        (select count(*) from outdated) as outdated_count,
        (select count(*) from checked_row) as row_count
)

select
    outdated.sample_id,
    format(
        '{:.3f} of the rows ({} of {}) have a label decided under an older guideline; at most {:.3f}',
        counted.outdated_count / counted.row_count, counted.outdated_count, counted.row_count, $at_most::double
    ) as observed,
    outdated.sample_id is not null and counted.outdated_count > $at_most * counted.row_count as is_offending
from counted
left join outdated on true
