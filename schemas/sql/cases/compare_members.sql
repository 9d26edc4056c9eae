-- one row: what the edited case (case_match: its view, made beside this) would change of the present members
with present as (
    select sample_id from present_member where case_name = $case_name
),
matched as (
    select distinct sample_id from case_match where attribute = $attribute
)
select
    (select count(*) from present) as member_count,
    (select count(*) from matched) as new_member_count,
    (select count(*) from matched anti join present using (sample_id)) as gained,
    (select count(*) from present anti join matched using (sample_id)) as lost,
    (
        select count(*)
        from present
        anti join matched using (sample_id)
        anti join live_flag using (sample_id)
    ) as lost_without_flag
