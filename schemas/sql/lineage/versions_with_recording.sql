-- Which training sets contain this recording, and which models were trained on it, also before a warm start?
-- of a recording
-- one row per training set and model (null: none was trained on it)
with recursive held as (
    select m.version, count(*) as row_count
    from training_set_member as m
    inner join known_sample as s on s.sample_id = m.sample_id
    where s.recording_id = nfc_normalize($id)
    group by m.version
),
trained as (
    select h.version, m.model_version, 'on it' as how
    from held as h
    inner join model as m on m.training_set_version = h.version
    union
    select t.version, m.model_version, 'warm from one' as how
    from trained as t
    inner join model as m on m.parent_version = t.model_version
)
select h.version, h.row_count, t.model_version, string_agg(distinct t.how, ', ' order by t.how) as how
from held as h
left join trained as t on t.version = h.version
group by all
order by h.version, t.model_version
