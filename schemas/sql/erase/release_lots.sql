-- fixes of an undecided lot of whose sample nothing is left: they form a lot anew
delete from audit_lot_fix
where lot_id in (select lot_id from emptied_lot)
