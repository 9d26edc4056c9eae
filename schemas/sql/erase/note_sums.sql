-- the latest export to a folder has these sums now
update exported_set
set files = $files
where folder = $folder
    and files <> $files
    and known_at = (select max(e.known_at) from exported_set as e where e.folder = $folder)
