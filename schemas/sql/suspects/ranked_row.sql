-- one row per row whose label could be judged, the most doubtful first: the ranks of what a model that never saw its
-- group gives its label, and of the share of its neighbours that have another one, added; equal ones share their
-- mean rank
create or replace temp table ranked_row as
with given as (
    select distinct label_number, label from looked_row
),
counted as (
    select
        *,
        rank() over (order by out_of_fold) as fold_rank,
        count(*) over (partition by out_of_fold) as fold_ties,
        rank() over (order by neighbours desc) as neighbour_rank,
        count(*) over (partition by neighbours) as neighbour_ties
    from judged_label
),
summed as (
    select *, fold_rank + (fold_ties - 1) / 2 + neighbour_rank + (neighbour_ties - 1) / 2 as rank_sum
    from counted
)
select
    s.sample_id,
    g.label as given_label,
    k.label as likely_label,
    s.out_of_fold,
    s.neighbours,
    s.rank_sum,
    row_number() over (order by s.rank_sum, s.sample_id) as place,
    s.is_contradicted
from summed as s
inner join given as g on g.label_number = s.given_number
inner join given as k on k.label_number = s.likely_number
