"""An exported training set in MLCommons Croissant (Format Specification 1.0), with its Responsible-AI vocabulary.

Source of names and types: Croissant Format Specification 1.0 and Croissant RAI Specification 1.0, MLCommons, 2024.
"""

from datetime import UTC, datetime
from typing import Any

from schemas.exported_columns import EXPORTED_COLUMNS, ExportedColumn
from tasks.gather_set_facts import SetFacts
from tasks.write_datasheet import list_notices

_Json = dict[str, Any]

_TYPES = {"text": "sc:Text", "texts": "sc:Text", "number": "sc:Float", "time": "sc:DateTime", "vector": "sc:Float"}
_FILE, _RECORDS = "rows-file", "rows"

# The names that the document uses, as the specification's own context spells them out.
_CONTEXT: _Json = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "equivalentProperty": "cr:equivalentProperty",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileObject": "cr:fileObject",
    "fileProperty": "cr:fileProperty",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "samplingRate": "cr:samplingRate",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}


def describe_croissant(facts: SetFacts, rows_name: str, rows_sha256: str, rows_size: int) -> _Json:
    """Return the description as JSON-LD; its one file is named relative to the description."""
    stored = facts.stored
    return {
        "@context": _CONTEXT,
        "@type": "sc:Dataset",
        "conformsTo": ["http://mlcommons.org/croissant/1.0", "http://mlcommons.org/croissant/RAI/1.0"],
        "name": stored.version,
        "description": _describe(facts),
        "identifier": f"sha256:{facts.digest}",
        "url": "datasheet.md",
        "version": f"{stored.running_number}.0.0" + ("" if facts.is_whole else "+rows-left-out"),
        "datePublished": _spell(stored.known_at),
        "creator": {"@type": "sc:Organization", "name": "To be named by whoever gives this set away"},
        "license": "No licence is stated yet; until whoever gives this set away states one, nobody may use it.",
        "citeAs": _cite(facts),
        "isLiveDataset": False,
        **_describe_care(facts),
        "distribution": [
            {
                "@type": "cr:FileObject",
                "@id": _FILE,
                "name": rows_name,
                "description": "One row a sample, in order of sample_id.",
                "contentUrl": rows_name,
                "contentSize": f"{rows_size} B",
                "encodingFormat": "application/x-parquet",
                "sha256": rows_sha256,
            }
        ],
        "recordSet": [
            {
                "@type": "cr:RecordSet",
                "@id": _RECORDS,
                "name": _RECORDS,
                "description": "The labelled samples of the training set.",
                "key": {"@id": f"{_RECORDS}/sample_id"},
                "field": [_describe_column(column) for column in EXPORTED_COLUMNS],
            }
        ],
    }


def _describe(facts: SetFacts) -> str:
    stored, extent = facts.stored, facts.extent
    told = (
        f"Training set {stored.version} of the attribute {stored.attribute} ({facts.kind}): {extent['row_count']} "
        f"labelled samples from {extent['recording_count']} recordings, as of {_spell(stored.moment.as_of)}. "
        "datasheet.md beside this description says more."
    )
    return " ".join([*list_notices(facts), told])


def _cite(facts: SetFacts) -> str:
    stored = facts.stored
    return (
        f"@misc{{{stored.version}, title = {{Training set {stored.version}}}, year = {{{stored.known_at.year}}}, "
        f"note = {{SHA-256 {facts.digest}}}}}"
    )


def _describe_care(facts: SetFacts) -> _Json:
    """Return the Responsible-AI fields that the warehouse can answer truthfully."""
    extent, agreement = facts.extent, facts.agreement
    origins = ", ".join(f"{row['row_count']} by a {row['value']}" for row in facts.counts.get("origin", []))
    care: _Json = {
        "rai:dataCollection": _describe_collection(facts),
        "rai:dataCollectionTimeframe": [_spell(extent[f"{end}_observed_at"]) for end in ("first", "last")],
        "rai:dataAnnotationProtocol": f"Labels: {origins}. datasheet.md names guidelines by their SHA-256.",
        "rai:dataUseCases": f"Training and retraining a model of {facts.stored.attribute}.",
        "rai:dataLimitations": "No evidence of safe operation: recall on such data is not detection recall, since "
        "what nothing predicted is not in the logs. No test part: groups of hold-outs were kept away.",
        "rai:personalSensitiveInformation": "Recordings of people are personal data; names of annotators stand "
        "in decided_by. Whether samples show people is left open in datasheet.md.",
        "rai:dataReleaseMaintenancePlan": "A correction is a new version; after an erasure only the "
        "exporter's own folder is written anew, and whoever holds a copy must be told.",
    }
    if agreement.question_count:
        care["rai:annotationsPerItem"] = (
            f"{agreement.answer_count} answers to {agreement.question_count} questions; other labels came by file."
        )
    return care


def _describe_collection(facts: SetFacts) -> str:
    told = "Samples of machines' prediction logs and of label files"
    if facts.is_base_alone:
        return f"{told}, base rows alone; whether they are a fair picture of the field is not known."
    return f"{told}; beside base rows those that a failure case asked for, so no random picture of the field."


def _describe_column(column: ExportedColumn) -> _Json:
    described: _Json = {
        "@type": "cr:Field",
        "@id": f"{_RECORDS}/{column.name}",
        "name": column.name,
        "description": column.description,
        "dataType": _TYPES[column.kind],
        "source": {"fileObject": {"@id": _FILE}, "extract": {"column": column.name}},
    }
    return described | ({"repeated": True} if column.kind in ("texts", "vector") else {})


def _spell(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
