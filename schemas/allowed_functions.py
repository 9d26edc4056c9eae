"""Which DuckDB functions a user's expressions and queries may call: lists of names.

An allow list, not a deny list: a function that a later DuckDB adds is refused until somebody has looked
at it. Looked through for DuckDB 1.5.5 and 2.0.1. Left out on purpose, although DuckDB calls them
consistent: what reads the environment, settings, variables or the catalogue; what runs or takes apart
SQL; what builds values of any size from a number (`range`, `generate_series`, `list_resize`, `format`,
`printf`, `bar`, `bitstring`, `to_base`, `equi_width_bins`, `from_json` with a type), because DuckDB's
memory limit does not hold there; what takes a lambda or the name of another function; what belongs to
DuckDB's own insides.
"""

_OPERATORS = "+ - * / // % ^ ** & | << >> ~ ! @ || && ^@ <-> <=> <@ @> ->> -> ~~ !~~ ~~* !~~* ~~~"

_MATCHING = """
    like_escape not_like_escape ilike_escape not_ilike_escape regexp_matches regexp_full_match
    regexp_replace regexp_extract regexp_extract_all regexp_escape regexp_split_to_array starts_with
    ends_with prefix suffix contains instr strpos position levenshtein editdist3 damerau_levenshtein
    hamming mismatches jaccard jaro_similarity jaro_winkler_similarity
"""

_TEXT = """
    concat concat_ws lower lcase upper ucase length len strlen char_length character_length
    length_grapheme bit_length octet_length left right left_grapheme right_grapheme substring substr
    substring_grapheme overlay trim ltrim rtrim replace translate reverse lpad rpad repeat split
    split_part str_split string_split str_split_regex string_split_regex string_to_array
    strip_accents nfc_normalize ascii unicode ord chr hex to_hex from_hex unhex bin to_binary
    from_binary unbin base64 to_base64 from_base64 encode decode md5 md5_number md5_number_lower
    md5_number_upper sha1 sha256 hash url_encode url_decode parse_path parse_dirname parse_dirpath
    parse_filename format_bytes formatreadablesize formatreadabledecimalsize
"""

_NUMBERS = """
    add subtract multiply divide fdiv mod fmod abs sign signbit ceil ceiling floor round round_even
    roundbankers trunc even sqrt cbrt exp ln log log2 log10 pow power pi degrees radians sin cos tan
    cot asin acos atan atan2 sinh cosh tanh asinh acosh atanh gamma lgamma factorial gcd lcm
    greatest_common_divisor least_common_multiple greatest least isnan isinf isfinite nextafter xor
    bit_count get_bit set_bit bit_position nullif if typeof
"""

_TIMES = """
    age date_part datepart date_trunc datetrunc date_diff datediff date_sub datesub date_add
    time_bucket last_day days_in_month make_date make_time make_timestamp make_timestamp_ms
    make_timestamp_ns make_timestamptz strftime strptime try_strptime timezone timezone_hour
    timezone_minute epoch epoch_ms epoch_us epoch_ns to_timestamp julian century day dayname
    dayofmonth dayofweek dayofyear decade era hour isodow isoyear microsecond millennium millisecond
    minute month monthname nanosecond quarter second week weekday weekofyear year yearweek to_years
    to_months to_weeks to_days to_hours to_minutes to_seconds to_milliseconds to_microseconds
    to_quarters to_decades to_centuries to_millennia normalized_interval
"""

_LISTS = """
    list_value list_pack array_value list_contains list_has array_contains array_has list_has_all
    array_has_all list_has_any array_has_any list_position list_indexof array_position array_indexof
    list_extract list_element array_extract list_slice array_slice list_sort array_sort
    list_reverse_sort array_reverse_sort list_reverse array_reverse list_distinct array_distinct
    list_unique array_unique list_concat list_cat array_concat array_cat list_append array_append
    list_prepend array_prepend array_push_back array_push_front array_pop_back array_pop_front
    list_intersect array_intersect list_zip array_zip list_where array_where list_select
    array_select list_grade_up array_grade_up grade_up array_length flatten array_to_string
    array_to_string_comma_default list_cosine_similarity list_cosine_distance list_distance
    list_inner_product list_dot_product list_negative_inner_product list_negative_dot_product
    list_any_value list_approx_count_distinct list_avg list_bit_and list_bit_or list_bit_xor
    list_bool_and list_bool_or list_count list_entropy list_first list_last list_mad list_max
    list_median list_min list_mode list_product list_sem list_skewness list_kurtosis
    list_kurtosis_pop list_stddev_pop list_stddev_samp list_string_agg list_sum list_var_pop
    list_var_samp list_histogram
"""

_NESTED = """
    struct_pack row struct_extract struct_extract_at struct_keys struct_values struct_contains
    struct_has struct_position struct_indexof struct_insert struct_update struct_concat map
    map_contains map_contains_entry map_contains_value map_concat map_entries map_extract
    map_extract_value map_from_entries map_keys map_values element_at cardinality union_extract
    union_tag union_value
"""

_JSON = """
    json json_array json_array_length json_contains json_exists json_extract json_extract_path
    json_extract_path_text json_extract_string json_keys json_merge_patch json_object json_quote
    json_structure json_type json_valid json_value to_json array_to_json row_to_json
    uuid_extract_version uuid_extract_timestamp
"""


_PARSER_MADE = """
    date_part timezone like_escape ilike_escape not_like_escape not_ilike_escape position substring trim ltrim
    rtrim overlay struct_pack list_value row map regexp_full_match struct_extract to_years to_months to_weeks
    to_days to_hours to_minutes to_seconds to_milliseconds to_microseconds to_quarters to_decades to_centuries
    to_millennia
"""

_CHANGING = """
    unnest now today current_localtime current_localtimestamp get_current_time get_current_timestamp
    transaction_timestamp current_date random uuid uuidv4 uuidv7 gen_random_uuid
"""


def read_names(text: str) -> frozenset[str]:
    """Return the names in a text that blanks separate."""
    return frozenset(text.split())


EXPRESSION_FUNCTIONS = read_names(
    " ".join([_OPERATORS, _MATCHING, _TEXT, _NUMBERS, _TIMES, _LISTS, _NESTED, _JSON])
)
"""What an expression may call: the same columns give the same value, whenever and wherever it runs."""

PARSER_MADE_FUNCTIONS = read_names(_PARSER_MADE)
"""What DuckDB 1.5's parser itself qualifies with `main`, for syntax such as `extract(hour from x)`."""

QUERY_FUNCTIONS = EXPRESSION_FUNCTIONS | read_names(_CHANGING)
"""What a query may call beside aggregates: it is read once, so the clock and chance do no harm there."""

TABLE_FUNCTIONS = read_names("unnest range generate_series json_each json_tree")
"""What may stand in a query's `from`; none reads a file, a setting or the catalogue."""

CLOCK_WORDS = read_names("current_date current_time current_timestamp localtime localtimestamp")
"""What stands like a column and reads the clock."""

SESSION_WORDS = read_names(
    "current_catalog current_database current_role current_schema current_user session_user user"
)
"""What stands like a column and tells of the session."""
