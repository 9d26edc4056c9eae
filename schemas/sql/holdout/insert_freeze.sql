-- one row: the freeze; digest: SHA-256 over sample_id, tab, revision_id, line feed, in order of sample_id
insert into holdout_freeze
select
    $holdout_id,
    sha256(string_agg(sample_id || chr(9) || coalesce(revision_id, '') || chr(10), '' order by sample_id)),
    $known_at
from holdout_label
where holdout_id = $holdout_id
