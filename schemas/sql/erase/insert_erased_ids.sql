-- one row per sample and question that is gone, as a keyed hash
insert into erased_id
select $tombstone, 'sample', sample_hash(sample_id) from erased_sample
union all
select $tombstone, 'fix', fix_hash(fix_id) from erased_fix
