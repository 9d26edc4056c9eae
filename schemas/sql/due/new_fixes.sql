-- one row per attribute with cases that a round can follow: their fixes settled since its last candidate, or with
-- $is_audited those whose lot has passed since; the watch's once their week is closed, since until then they train nothing
with states as (
    select case_name, arg_max(state, known_at) as state
    from case_state
    group by case_name
),
ready as (
    select d.case_name, arg_max(d.attribute, d.known_at) as attribute
    from failure_case as d
    inner join states as s on s.case_name = d.case_name
    where s.state in ('ready', 'reopened')
    group by d.case_name
),
last_candidate as (
    select attribute, max(known_at) as known_at
    from model
    where role = 'candidate'
    group by attribute
),
concerned as (
    select r.attribute, q.fix_id
    from fix_request as q
    inner join ready as r on r.case_name = q.case_name
    union
    select r.attribute, f.fix_id
    from present_member as m
    inner join ready as r on r.case_name = m.case_name
    inner join label_fix as f on f.sample_id = m.sample_id
),
closed as (
    select w.sample_id, c.known_at
    from watch_sample as w
    inner join watch_close as c on c.attribute = w.attribute and c.week = w.week
),
tested as (
    select r.fix_id
    from fix_request as r
    inner join label_fix as f on f.fix_id = r.fix_id
    where r.reason = 'holdout' or f.reason = 'holdout'
        or ('watch' in (r.reason, f.reason) and f.sample_id not in (select sample_id from closed))
),
new_fix as (
    select c.attribute, c.fix_id
    from concerned as c
    inner join label_fix as f on f.fix_id = c.fix_id
    inner join fix_end as o on o.fix_id = c.fix_id
    left join fix_lot as l on l.fix_id = c.fix_id
    left join audit_verdict as v on v.lot_id = l.lot_id
    left join last_candidate as k on k.attribute = c.attribute
    left join closed as z on z.sample_id = f.sample_id
    anti join tested as t on t.fix_id = c.fix_id
    where o.outcome = 'settled'
        and (l.verdict = 'passed' or not $is_audited)
        and (
            k.known_at is null
            or o.known_at > k.known_at
            or z.known_at > k.known_at
            or ($is_audited and v.known_at > k.known_at)
        )
)
select attribute, count(distinct fix_id) as new_fixes
from new_fix
group by attribute
order by attribute
