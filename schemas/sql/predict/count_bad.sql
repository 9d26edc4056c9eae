-- one row: the samples, those that lack something, those whose features are of another version, and the first of each
select
    count(*),
    count(*) filter (where is_bad),
    min(line) filter (where is_bad),
    count(*) filter (where is_foreign and not is_bad),
    min(line) filter (where is_foreign and not is_bad)
from sample_row
