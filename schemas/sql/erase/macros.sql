-- HMAC-SHA-256 (RFC 2104) over a text, with the key of this loop; `erase_key` holds the key's two pads
create or replace temp macro keyed_hash(x) as sha256(
    (select outer_pad from erase_key) || unhex(sha256((select inner_pad from erase_key) || encode(x)))
);
create or replace temp macro recording_hash(recording_id) as
    keyed_hash('recording' || chr(31) || recording_id);
create or replace temp macro object_hash(recording_id, object_id) as
    keyed_hash('object' || chr(31) || recording_id || chr(31) || object_id);
create or replace temp macro sample_hash(sample_id) as keyed_hash('sample' || chr(31) || sample_id);
create or replace temp macro fix_hash(fix_id) as keyed_hash('fix' || chr(31) || fix_id);
-- the parts of a row that could not be read which may be a recording's name: quoted texts, cells, words
create or replace temp macro list_names(raw) as list_distinct(
    regexp_extract_all(raw, '[^\s,;|"''{}\[\]:\\]+')
    || regexp_extract_all(raw, '"((?:[^"\\]|\\.)*)"', 1)
    || string_split(replace(raw, ';', ','), ',')
);
create or replace temp macro names_erased(raw) as exists (
    select 1
    from (select unnest(list_names(nfc_normalize(raw))) as name) as n
    where recording_hash(n.name) in (select tombstone from known_tombstone where scope = 'recording')
);
create or replace temp macro is_erased_fix(fix_id) as coalesce(
    fix_hash(nfc_normalize(trim(fix_id))) in (select keyed_hash from erased_id where kind = 'fix'), false
);
