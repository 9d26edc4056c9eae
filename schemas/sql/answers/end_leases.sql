-- leases that an answer of this file ends
delete from fix_lease
where exists (
    select 1
    from judged_answer as j
    where j.fix_id = fix_lease.fix_id and j.annotator = fix_lease.holder
        and j.reason is null and not j.is_taken_back
)
