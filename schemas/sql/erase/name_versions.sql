-- one row per version that can no longer be rebuilt, and why
select
    version,
    array_to_string(
        list_filter(
            [
                case when held_rows > 0
                    then held_rows || ' of its rows were of a recording that was erased since' end,
                case when kept_away_rows > 0
                    then kept_away_rows || ' rows were left out of it as near to hold-out samples of a recording '
                        || 'that was erased since' end
            ],
            lambda x: x is not null
        ),
        '; '
    ) as because
from concerned_version
order by attribute, running_number
