-- one row per wanted fix and case: those that only join an open fix, and new ones cut to what there is room for. Half
-- of the room is divided equally among the cases that want some of it, the rest goes by priority; beyond what is left
-- of the cases' parts of the week no more than `unclaimed` are taken
create or replace temp table wanted_fix as
with fresh as (
    select w.sample_id, max(w.priority) as priority
    from wanted_fix as w
    anti join open_fix as o on o.sample_id = w.sample_id
    group by w.sample_id
),
wishes as (
    select distinct w.case_name, f.sample_id, f.priority
    from wanted_fix as w
    inner join fresh as f on f.sample_id = w.sample_id
    where w.case_name is not null
),
ranked as (
    select
        case_name,
        sample_id,
        row_number() over (partition by case_name order by priority desc, sample_id) as place
    from wishes
),
floors as (
    select $room // (2 * greatest(1, count(distinct case_name))) as floor
    from wishes
),
placed as (
    select
        f.sample_id,
        any_value(f.priority) as priority,
        coalesce(bool_or(r.place <= c.claim), false) as is_claimed,
        coalesce(bool_or(r.place <= p.floor), false) as is_floor
    from fresh as f
    cross join floors as p
    left join ranked as r on r.sample_id = f.sample_id
    left join case_claim as c on c.case_name = r.case_name
    group by f.sample_id
),
counted as (
    select
        *,
        count(*) filter (where not is_claimed) over (
            order by is_floor desc, priority desc, sample_id rows unbounded preceding
        ) as unclaimed
    from placed
),
allowed as (
    select sample_id
    from counted
    where is_claimed or unclaimed <= $unclaimed
    order by is_floor desc, priority desc, sample_id
    limit $room
),
taken as (
    select sample_id from allowed
    union
    select sample_id from open_fix
)
select w.*
from wanted_fix as w
semi join taken as t on t.sample_id = w.sample_id
