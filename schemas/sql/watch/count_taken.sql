-- one row: how many of the staged draws and tracks somebody else has stored since they were staged
select
    (
        select count(*)
        from week_draw as d
        semi join watch_draw as w on w.attribute = d.attribute and w.week = d.week and w.part = d.part
    )
    + (
        select count(*)
        from watch_track as w
        semi join eligible_once as e
            on e.attribute = w.attribute and e.recording_id = w.recording_id and e.object_id = w.object_id
    )
