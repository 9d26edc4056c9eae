-- one row per file that was looked at and whose content is in the warehouse
insert into seen_file
select l.path, l.size_bytes, l.modified_ns, l.content_sha256
from looked_at as l
semi join pull_batch as b on b.content_sha256 = l.content_sha256
