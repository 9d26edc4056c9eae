-- one row per file of the chunk whose content no other writer has brought meanwhile
create or replace temp table fresh_file as
select s.*
from staged_file as s
anti join pull_batch as b on b.content_sha256 = s.content_sha256
