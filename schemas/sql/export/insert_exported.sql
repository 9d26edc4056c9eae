-- one row per version and folder that it was exported to with these files, once
insert into exported_set
select $version, $folder, $files, $withheld, $known_at
where not exists (
    select 1
    from exported_set
    where version = $version and folder = $folder and files = $files
)
