-- one row per wanted sample: the label revisions that stand when it is asked, which the answer will replace
create or replace temp table wanted_about as
select sample_id, list_sort(list(revision_id)) as about_revisions
from standing_revision
group by sample_id
