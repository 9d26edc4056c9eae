-- leases that are over: their time has passed, their holder has answered, or the question is asked no more; and
-- those that this person takes anew
delete from fix_lease
where leased_until <= $now
    or (holder = $annotator and fix_id in (select fix_id from chosen_fix))
    or (fix_id, holder) in (select (fix_id, annotator) from fix_answer)
    or fix_id not in (select fix_id from open_question)
