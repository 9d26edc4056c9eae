-- one row per wanted sample: how often it had been asked when this was staged, and the label revisions that stood
-- then, which the answer will replace
create or replace temp table wanted_about as
with attempts as (
    select sample_id, max(attempt) as attempt
    from asked_attempt
    group by sample_id
),
standing as (
    select sample_id, list_sort(list(revision_id)) as about_revisions
    from standing_revision
    group by sample_id
)
select w.sample_id, coalesce(a.attempt, 0) as attempt, s.about_revisions
from (select distinct sample_id from wanted_fix) as w
left join attempts as a on a.sample_id = w.sample_id
left join standing as s on s.sample_id = w.sample_id
