-- one row per attribute and what its last seven days are held against (the same units' four weeks before; the latest
-- general hold-out's draw, weighted), where predicted classes are spread otherwise, by more than allowed and more than
-- chance gives; is_known is false where one side has fewer than $tracks tracks
with predicted as (
    select
        p.sample_id, s.recording_id, s.object_id, coalesce(s.unit_id, '') as unit_id, p.model_version,
        coalesce(n.present_label, p.predicted) as class, p.observed_at >= $recent::timestamptz as is_now
    from prediction as p
    inner join sample as s on s.sample_id = p.sample_id
    left join renamed_label as n on n.attribute = p.attribute and n.old_label = p.predicted
    where p.role = 'served' and p.attribute = $attribute and p.predicted is not null
        and p.observed_at >= $first::timestamptz and p.observed_at < $now::timestamptz
        and s.observed_at >= $first::timestamptz and s.observed_at < $now::timestamptz
),

-- one sample a track, by its hash, since those of a track are not independent
tracks as (
    select *
    from predicted
    qualify row_number() over (partition by is_now, recording_id, object_id order by sample_id, model_version) = 1
),

held as (
    select m.sample_id, any_value(1 / m.inclusion_probability) as weight
    from holdout_member as m
    where m.inclusion_probability > 0 and m.holdout_id = (
        select arg_max(holdout_id, version) from holdout where case_name = 'overall:' || $attribute
    )
    group by m.sample_id
),

sides as (
    select 'now' as side, class, 1.0 as weight from tracks where is_now
    union all
    select 'the four weeks before', class, 1.0
    from tracks
    where not is_now and unit_id in (select unit_id from tracks where is_now)
    union all
    select 'the general hold-out', p.predicted, h.weight
    from held as h
    inner join current_prediction as p on p.sample_id = h.sample_id
    where p.predicted is not null
),

totals as (
    select side, sum(weight) as total, pow(sum(weight), 2) / sum(weight * weight) as size
    from sides
    group by side
),

shares as (
    select b.side, c.class, coalesce(sum(x.weight), 0) / any_value(b.total) as share, any_value(b.size) as size
    from totals as b
    cross join (select distinct class from sides) as c
    left join sides as x on x.side = b.side and x.class = c.class
    group by b.side, c.class
),

paired as (
    select
        b.side, a.size as size_now, b.size as size_then,
        case when least(a.size, b.size) * (a.share * a.size + b.share * b.size) < 5 * (a.size + b.size)
            then '(rare classes)' else a.class end as class,
        sum(a.share) as share_now, sum(b.share) as share_then
    from shares as b
    inner join shares as a on a.side = 'now' and a.class = b.class
    where b.side <> 'now'
    group by all
),

-- as in the check `context_shift`: rare values together (Cochran 1954), chance by Yurdakul 2018, Wilson & Hilferty 1931
measured as (
    select
        side, any_value(size_now) as size_now, any_value(size_then) as size_then,
        sum((greatest(share_now, 1e-4) - greatest(share_then, 1e-4))
            * ln(greatest(share_now, 1e-4) / greatest(share_then, 1e-4))) as stability_index,
        1 / any_value(size_now) + 1 / any_value(size_then) as spread,
        greatest(count(*) - 1, 1) as freedom,
        arg_max(format('{}: {:.3f}, there {:.3f}', class, share_now, share_then), abs(share_now - share_then)) as told
    from paired
    group by side
),

judged as (
    select
        *,
        least(size_now, size_then) >= $tracks as is_known,
        stability_index > $at_most and stability_index
            > spread * freedom * pow(1 - 2 / (9.0 * freedom) + 2.3263 * sqrt(2 / (9.0 * freedom)), 3) as is_shifted
    from measured
)

select
    $attribute || ', against ' || side as subject,
    case when is_known then format(
        'what is predicted has shifted in seven days (index {:.2f}, at most {:.2f}; {}); look whether units, site or '
            || 'season changed, or the model, before trusting rates: turnrow status',
        stability_index, $at_most::double, told
    ) else format('fewer than {} tracks on a side', $tracks::bigint) end as message,
    is_known
from judged
where not is_known or is_shifted
order by side
