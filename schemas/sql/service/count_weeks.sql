-- one row: how many weeks of an attribute were drawn, and how many of these are closed
select
    (select count(distinct week) from watch_draw where attribute = $attribute) as drawn,
    (select count(distinct week) from watch_close where attribute = $attribute) as closed
