-- one row per staged flag of another prediction than the case's members
delete from new_flag
where prediction_id not in (select prediction_id from new_member)
