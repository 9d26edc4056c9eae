-- takes out of what may be drawn the tracks of which a copy was drawn, and the groups of which nothing but copies was
with copied_group as (
    select d.group_id
    from drawn_member as d
    left join found_copy as f on f.sample_id = d.sample_id
    group by d.group_id
    having bool_and(f.sample_id is not null)
)
delete from eligible_sample
where track in (
        select e.track
        from eligible_sample as e
        semi join found_copy as f on f.sample_id = e.sample_id
    )
    or group_id in (select group_id from copied_group)
