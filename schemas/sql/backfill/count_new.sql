-- one row: how many flags and members of the case are staged and not stored yet
select
    (select count(*) from staged_flag) as flags,
    (
        select count(*)
        from new_member as n
        anti join case_member as m
            on m.case_name = n.case_name
            and m.sample_id = n.sample_id
            and m.prediction_id = n.prediction_id
            and m.definition_sha256 = n.definition_sha256
    ) as members
