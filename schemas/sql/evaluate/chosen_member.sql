-- one row per unseen member of a hold-out: how it came in. is_listed: by a file, so that nobody knows how likely it
-- was to be chosen; is_flagged: as a misprediction that was known when it was drawn
select
    sample_id,
    inclusion_probability is null as is_listed,
    stratum = 'flagged' as is_flagged
from holdout_member
where holdout_id = $holdout_id and not is_seen
order by sample_id
