-- one row: what became of the file's rows that were not refused, each counted once; once the file was pulled, a sample
-- that nobody knows was erased
with own as (
    select f.sample_id, g.sample_id is not null as is_known
    from file_row as f
    left join grouped_sample as g on g.sample_id = f.sample_id
    where f.refused is null and f.attribute = $attribute
)
select
    (select count(*) from file_row),
    (select count(*) from file_row where refused is null and attribute is distinct from $attribute),
    (select count(*) from own where is_known),
    (select count(*) from own where not is_known),
    (select count(*) from listed_row where is_taken)
