-- one row per audit item of an undecided lot: whether it is answered, and if so whether the label was wrong; without
-- those that nobody has answered and nobody may be asked any more (unaskable_item)
create or replace temp table judged_item (
    lot_id varchar,
    audited_fix_id varchar,
    is_answered boolean,
    is_wrong boolean
)
