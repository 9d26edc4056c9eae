-- one row per sample that an edited case (case_match) would gain or lose, the first few of each
with present as (
    select sample_id from present_member where case_name = $case_name
),
matched as (
    select distinct sample_id from case_match where attribute = $attribute
),
changes as (
    select 'gained' as change, sample_id from matched anti join present using (sample_id)
    union all
    select 'lost', sample_id from present anti join matched using (sample_id)
),
first_few as (
    select change, sample_id
    from changes
    qualify row_number() over (partition by change order by sample_id) <= $at_most
)
select
    f.change,
    s.sample_id,
    s.recording_id,
    s.object_id,
    epoch_us(s.observed_at) as observed_at,
    s.predicted,
    s.truth
from first_few as f
left join served_sample as s on s.sample_id = f.sample_id
order by f.change, s.recording_id, s.object_id, s.observed_at
