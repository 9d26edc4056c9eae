-- what an erasure leaves: its tombstone, which sets, models and hold-outs it concerned, and keyed hashes of the ids
-- that files and late answers may still name; and which erasures have not been finished
alter table erasure add column scope varchar;
alter table erasure add column inside varchar;
alter table erasure add column key_check varchar;
alter table erasure add column holdouts varchar[];
alter table erasure add column because varchar;
alter table erasure add column counts varchar;

create table erased_id (
    tombstone varchar not null,
    kind varchar not null,
    keyed_hash varchar not null
);

create table pending_erasure (tombstone varchar not null);
