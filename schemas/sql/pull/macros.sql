-- how a value of a log becomes a stored one, whatever the format it came in
create or replace temp macro log_text(x) as nullif(nfc_normalize(cast(x as varchar)), '');

-- ISO 8601 in its many notations; what has no offset is UTC (the connection's time zone)
create or replace temp macro spell_time(x) as
    regexp_replace(
        regexp_replace(
            regexp_replace(
                regexp_replace(replace(upper(trim(x)), ',', '.'), '\s+([+-]\d|Z$)', '\1'),
                '^(\d{4})(\d\d)(\d\d)[T ](\d\d)(\d\d)(\d\d)?', '\1-\2-\3T\4:\5:0\6'
            ),
            ':0(\d\d)', ':\1'
        ),
        '^(\d{4}-\d\d-\d\d[T ]\d\d:\d\d)(Z|[+-]|$)', '\1:00\2'
    );
-- an offset is at most 23:59, as the grammar of RFC 3339 has it (section 5.6, time-numoffset)
-- no named zone but UTC: a cast lets the zone of one row leak into the next ones that have none
create or replace temp macro log_time(x) as
    case
        when regexp_matches(
            x,
            '^\s*\d{4}-?\d\d-?\d\d([Tt ]\d\d:?\d\d(:?\d\d([.,]\d+)?)?\s*([Zz]|UTC|[+-]([01]\d|2[0-3])(:?[0-5]\d)?)?)?\s*$'
        )
            then coalesce(try_cast(x as timestamptz), try_cast(spell_time(x) as timestamptz))
    end;

-- a number as JSON writes it: 1, 1.0 and 1e0 alike, and a float32 by its own shortest digits; with `single`
-- every number as a float32
create or replace temp macro spell_number(x, single) as
    case
        when x = floor(x) and abs(x) < 1e15 then cast(try_cast(x as bigint) as varchar)
        when abs(x) < 1e38 and (single or cast(try_cast(x as float) as double) = x) then cast(try_cast(x as float) as varchar)
        else cast(x as varchar)
    end;
create or replace temp macro spell_scalar(x, single) as
    case json_type(x)
        when 'DOUBLE' then spell_number(try_cast(x as double), single)
        when 'VARCHAR' then cast(to_json(nfc_normalize(x->>'$')) as varchar)
        else cast(x as varchar)
    end;
create or replace temp macro spell_object(entries, single) as
    '{' || array_to_string(
        list_transform(
            list_sort(entries),
            lambda e: cast(to_json(nfc_normalize(e.key)) as varchar) || ':' || spell_scalar(e.value, single)
        ),
        ','
    ) || '}';

-- what a log may hold in place of an object's text: JSON that is itself a text
create or replace temp macro log_json(x) as
    case when json_type(x) = 'VARCHAR' then x->>'$' else cast(x as varchar) end;
-- the squared norm; null where a value is no number (a null in it makes list_inner_product fail, even where a
-- case would not reach it, so `filled` has zeros in their place)
create or replace temp macro fill_vector(x) as list_transform(x, lambda value: coalesce(value, 0));
create or replace temp macro vector_square(x, filled) as
    case when list_aggregate(x, 'count') = len(x) then list_inner_product(filled, filled) end;
