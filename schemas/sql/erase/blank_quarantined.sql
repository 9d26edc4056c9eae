-- refused rows of what is erased: that they were is kept, not what they said
update quarantined_row
set reason = 'erased', raw = ''
where exists (
    select 1
    from erased_quarantine as e
    where e.batch_id = quarantined_row.batch_id and e.row_number = quarantined_row.row_number
)
