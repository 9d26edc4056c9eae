-- a folder in which an export was being written, and is no more
delete from exported_set where folder = $folder
