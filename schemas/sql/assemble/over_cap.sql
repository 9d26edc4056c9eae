-- one row per row beyond its reason's cap, in the order of a hash
insert into left_out
with placed as (
    select
        c.sample_id,
        c.reason,
        s.cap,
        row_number() over (partition by c.reason order by sha256(c.sample_id)) as place
    from composed_row as c
    inner join reason_setting as s on s.reason = c.reason
    anti join left_out as x on x.sample_id = c.sample_id
    where s.cap is not null
)
select sample_id, 'over_cap', 'caps.' || reason || ' = ' || cap
from placed
where place > cap
