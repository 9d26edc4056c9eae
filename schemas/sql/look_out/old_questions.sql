-- one row per attribute whose oldest question that has not ended is older than $days days
select
    attribute as subject,
    format(
        'its oldest question has waited {} days, {} have waited longer than {}; have them answered: '
            || 'turnrow queue export questions.csv',
        date_diff('day', min(known_at), $now::timestamptz), count(*), $days::bigint
    ) as message,
    true as is_known
from open_fix
where known_at < $now::timestamptz - to_days(cast($days as integer))
group by attribute
order by attribute
