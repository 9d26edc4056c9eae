-- how an id is made of content: SHA-256 over fields joined by U+001F, its first 32 hex digits;
-- text in NFC, times as epoch microseconds, numbers as the hex digits of their big-endian float64, null as U+0000
create or replace temp macro id_text(x) as coalesce(nfc_normalize(x), chr(0));
create or replace temp macro id_time(x) as coalesce(cast(epoch_us(cast(x as timestamptz)) as varchar), chr(0));
create or replace temp macro id_number(x) as
    coalesce(lower(lpad(hex(cast(cast(cast(x as double) + 0.0 as bit) as ubigint)), 16, '0')), chr(0));
create or replace temp macro id_of(x) as left(sha256(x), 32);

create or replace temp macro make_sample_id(recording_id, object_id, observed_at, attribute) as
    id_of(
        id_text(recording_id) || chr(31) || id_text(object_id) || chr(31)
        || id_time(observed_at) || chr(31) || id_text(attribute)
    );
create or replace temp macro make_prediction_id(sample_id, model_version, role, predicted, predicted_value) as
    id_of(
        id_text(sample_id) || chr(31) || id_text(model_version) || chr(31) || id_text(role) || chr(31)
        || id_text(predicted) || chr(31) || id_number(predicted_value)
    );
create or replace temp macro make_revision_id(
    sample_id, label, label_value, origin, decided_by, decided_at, fix_id
) as
    id_of(
        id_text(sample_id) || chr(31) || id_text(label) || chr(31) || id_number(label_value) || chr(31)
        || id_text(origin) || chr(31) || id_text(decided_by) || chr(31) || id_time(decided_at) || chr(31)
        || id_text(fix_id)
    );
create or replace temp macro make_misprediction_id(
    sample_id, prediction_id, rule, definition_sha256, revision_id
) as
    id_of(
        id_text(sample_id) || chr(31) || id_text(prediction_id) || chr(31) || id_text(rule) || chr(31)
        || id_text(definition_sha256) || chr(31) || id_text(revision_id)
    );
create or replace temp macro make_fix_id(sample_id, attempt) as
    id_of(id_text(sample_id) || chr(31) || cast(attempt as varchar));
create or replace temp macro make_batch_id(content_sha256) as id_of(id_text(content_sha256));
create or replace temp macro make_lot_id(attribute, source, fix_ids) as
    id_of(
        id_text(attribute) || chr(31) || id_text(source) || chr(31)
        || array_to_string(list_sort(fix_ids), chr(31))
    );
create or replace temp macro make_holdout_id(attribute, case_name, version, definition_sha256) as
    id_of(
        id_text(attribute) || chr(31) || id_text(case_name) || chr(31) || cast(version as varchar) || chr(31)
        || id_text(definition_sha256)
    );

-- what is asked first: hold-outs and the watch, always; then second looks and older guidelines; then what is doubted.
-- Within that by severity of the case, by a critical class, by how often the rule is right (0 to 1, see
-- queue/stage_precisions), by how often the case occurs among what is served (a share, its square root, since shares
-- are small), and by doubt or likeness (0 to 1)
create or replace temp macro fix_priority(
    reason, severity, is_critical, score, rule_precision := null, case_share := null
) as
    case reason
        when 'holdout' then 200 when 'watch' then 180 when 'second_look' then 100 when 'guideline' then 80
        when 'flagged' then 10 when 'mined' then 5 else 4
    end
    + case severity when 'high' then 20 when 'medium' then 10 when 'low' then 5 else 0 end
    + case when is_critical then 8 else 0 end
    + 4 * coalesce(rule_precision, 0.0)
    + 4 * sqrt(coalesce(case_share, 0.0))
    + greatest(0.0, least(1.0, coalesce(score, 0.0)));
