-- one row per suspected label: those that model and neighbours contradict alike, the most doubtful first, and no more
-- than are expected to be wrong
create or replace temp table suspected_row as
select sample_id, given_label, likely_label, out_of_fold, neighbours, rank_sum, place
from ranked_row
where is_contradicted
order by place
limit $at_most
