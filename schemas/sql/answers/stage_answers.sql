-- one row per answer of an imported file, its text trimmed and its reason to be refused, if any
create or replace temp table staged_answer as
with raw as (
    select
        row_number,
        fault,
        nfc_normalize(trim(cast(fix_id as varchar))) as fix_id,
        nfc_normalize(trim(cast(annotator as varchar))) as annotator,
        nfc_normalize(trim(cast(answer as varchar))) as answer,
        nullif(trim(cast(answered_at as varchar)), '') as answered_text,
        nullif(trim(cast(seconds as varchar)), '') as seconds_text,
        nullif(cast(note as varchar), '') as note,
        nullif(lower(trim(cast(saw_prediction as varchar))), '') as saw_text,
        nullif(trim(cast(guideline_sha256 as varchar)), '') as guideline_sha256,
        nullif(lower(trim(cast(takes_back as varchar))), '') as back_text
    from answer_file
),
-- one spelling a person: the one that answers have had so far, else the file's first
people as (
    select distinct annotator, 0 as place from fix_answer
    union all
    select annotator, row_number as place from raw where annotator is not null
),
spellings as (
    select
        lower(regexp_replace(annotator, '\s', '', 'g')) as bare,
        arg_min(annotator, (place, annotator)) as annotator
    from people
    group by bare
),
known as (
    select
        r.*,
        p.annotator as spelling,
        log_time(r.answered_text) as answered_at,
        try_cast(r.seconds_text as double) as seconds,
        coalesce(try_cast(r.saw_text as boolean), false) as saw_prediction,
        coalesce(try_cast(r.back_text as boolean), false) as takes_back,
        f.sample_id,
        f.attribute,
        a.kind,
        a.labels,
        b.fix_id is not null as is_barred,
        try_cast(r.answer as double) + 0.0 as answer_value
    from raw as r
    left join asked_attempt as f on f.fix_id = r.fix_id
    left join answerable as a on a.attribute = f.attribute
    left join barred_annotator as b on b.fix_id = r.fix_id and b.annotator = r.annotator
    left join spellings as p on p.bare = lower(regexp_replace(r.annotator, '\s', '', 'g'))
)
select
    k.*,
    case
        when fault is not null then fault
        when coalesce(fix_id, '') = '' then 'fix_id is missing'
        when sample_id is null then 'fix_id is not known here: it stands in the file that `queue export` wrote'
        when kind is null then 'turnrow.toml has no attribute ' || attribute || ' any more'
        when coalesce(annotator, '') = '' then 'annotator is missing'
        when length(annotator) > 200 or regexp_matches(annotator, ',|\p{Cc}|\p{Cf}|[\x{FE00}-\x{FE0F}]')
            then 'annotator must be at most 200 characters, without commas, control or invisible characters'
        when annotator <> spelling
            then 'annotator is spelt ' || spelling || ' elsewhere: a person has one spelling, or would count twice'
        when is_barred
            then annotator || ' decided this sample before, and this question looks at it again: other people answer it'
        when back_text is not null and try_cast(back_text as boolean) is null
            then 'takes_back is neither true nor false'
        when takes_back then null
        when coalesce(answer, '') = '' then 'answer is missing: `unsure` is an answer too'
        when answered_text is not null and answered_at is null
            then 'answered_at is not a time, as in 2026-05-01T12:00:00Z'
        when seconds_text is not null and (seconds is null or not isfinite(seconds) or seconds < 0)
            then 'seconds is not a number of seconds'
        when length(note) > 2000 then 'note has more than 2000 characters'
        when saw_text is not null and try_cast(saw_text as boolean) is null
            then 'saw_prediction is neither true nor false'
        when length(guideline_sha256) > 200 then 'guideline_sha256 has more than 200 characters'
        when answer in ('unsure', 'unusable') then null
        when kind = 'class' and not list_contains(labels, answer)
            then 'answer is not one of ' || array_to_string(labels, ', ') || ', unsure, unusable'
        when kind = 'number' and (answer_value is null or not isfinite(answer_value))
            then 'answer is not a number, unsure or unusable'
    end as reason
from known as k
