-- what a value breaks, as one line; null where it breaks nothing
create or replace temp macro has_control(x) as regexp_matches(x, '[\x00-\x1f\x7f]');

create or replace temp macro name_prediction_fault(
    kind, labels, model_version, predicted, predicted_value, has_confidence, confidence, role,
    has_predicted_at, predicted_at
) as
    case
        when model_version is null then 'model_version is missing'
        when length(model_version) > 500 then 'model_version has more than 500 characters'
        when has_control(model_version) then 'model_version holds a control character'
        when predicted is null then 'predicted is missing'
        when kind = 'class' and not list_contains(labels, predicted)
            then 'predicted ''' || left(predicted, 100) || ''' is no label of the attribute; expected one of '
                || array_to_string(labels, ', ')
        when kind = 'number' and (predicted_value is null or not isfinite(predicted_value))
            then 'predicted ''' || left(predicted, 100) || ''' is no finite number'
        when kind = 'class' and not has_confidence then 'confidence is missing'
        when has_confidence and confidence is null then 'confidence is no number; expected 0 to 1'
        when has_confidence and (isnan(confidence) or confidence < 0 or confidence > 1)
            then 'confidence is ' || cast(confidence as varchar) || '; expected 0 to 1'
        when role not in ('served', 'replay')
            then 'role is ''' || left(role, 100) || '''; expected served or replay'
        when has_predicted_at and predicted_at is null
            then 'predicted_at is no time; expected ISO 8601, as in 2024-05-01T10:00:00Z'
        when predicted_at < timestamptz '1970-01-01' or predicted_at >= timestamptz '2200-01-01'
            then 'predicted_at is outside the years 1970 to 2199'
    end;

create or replace temp macro name_scores_fault(labels, entries, problem) as
    case
        when problem is not null
            then 'scores ' || problem || '; expected a JSON object of label to probability'
        when len(list_filter(entries, lambda e: not list_contains(labels, e.key))) > 0
            then 'scores name a label that is none of the attribute; expected ' || array_to_string(labels, ', ')
        when len(list_filter(entries, lambda e: json_type(e.value) in ('VARCHAR', 'BOOLEAN'))) > 0
            then 'scores hold a value that is no number; expected 0 to 1'
        when len(list_filter(entries, lambda e: try_cast(e.value as double) < 0 or try_cast(e.value as double) > 1)) > 0
            then 'scores hold a value outside 0 to 1'
    end;

create or replace temp macro name_label_fault(kind, labels, label, label_value, origin, is_prediction) as
    case
        when label is null and is_prediction then 'reference_origin stands without a reference_label'
        when label is null then 'label is missing'
        when kind = 'class' and not list_contains(labels, label)
            then 'label ''' || left(label, 100) || ''' is no label of the attribute; expected one of '
                || array_to_string(labels, ', ')
        when kind = 'number' and (label_value is null or not isfinite(label_value))
            then 'label ''' || left(label, 100) || ''' is no finite number'
        when origin is null and is_prediction then 'reference_origin is missing beside a reference_label'
        when origin is null then 'origin is missing'
        when origin not in ('person', 'machine', 'synthetic')
            then 'origin is ''' || left(origin, 100) || '''; expected person, machine or synthetic'
    end;

create or replace temp macro name_vector_fault(name, vector, square, space) as
    case
        when vector is null then name || ' is no list of numbers'
        when len(vector) = 0 then name || ' is empty'
        when square is null then name || ' holds a value that is no number'
        when not isfinite(square) then name || ' holds a value that is not finite'
        when square = 0 then name || ' has norm zero'
        when length(space) > 200 then name || ' is of a space whose name has more than 200 characters'
        when has_control(space) then name || ' is of a space whose name holds a control character'
    end;

-- what two predictions of one sample are compared by
create or replace temp macro name_prediction(model_version, role) as
    'prediction ' || role || ' ' || model_version;
create or replace temp macro spell_prediction(predicted, predicted_value, scores, predicted_at) as
    id_text(predicted) || chr(31) || id_number(predicted_value) || chr(31) || id_text(scores) || chr(31)
    || id_time(predicted_at);
