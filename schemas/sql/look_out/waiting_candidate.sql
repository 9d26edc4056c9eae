-- one row per candidate, the latest of its attribute, that was judged longer than $days days ago and that nobody has
-- signed off
with latest as (
    select attribute, arg_max(model_version, known_at) as candidate
    from model
    where role = 'candidate'
    group by attribute
),

judged as (
    select
        l.attribute,
        l.candidate,
        arg_max(g.verdict, g.known_at) as verdict,
        max(g.known_at) as judged_at
    from latest as l
    inner join gate_decision as g on g.candidate = l.candidate and g.criterion = 'overall'
    group by l.attribute, l.candidate
)

select
    j.candidate as subject,
    format(
        'was judged {} on {} and waits for a person; read why: turnrow report {}; then accept or refuse it: '
            || 'turnrow sign-off {} --by NAME --accept (or --refuse)',
        j.verdict, strftime(j.judged_at, '%Y-%m-%d'), j.candidate, j.candidate
    ) as message,
    true as is_known
from judged as j
anti join sign_off as s on s.model_version = j.candidate
where j.judged_at < $now::timestamptz - to_days(cast($days as integer))
order by j.candidate
