-- staged rows of what was erased: whatever else is wrong with them, that is their reason
update staged_row
set reason = 'erased'
where (recording_id in (select recording_id from erased_name where object_id is null))
    or exists (
        select 1
        from erased_name as e
        where e.recording_id = staged_row.recording_id and e.object_id = staged_row.object_id
    )
