"""How steady a model's answers are along the tracks of held-out objects, as rows of `evaluation`.

No label is needed for it, and none of these answers counts in any other figure.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import duckdb
import numpy as np

from schemas.settings import AttributeSettings
from schemas.sql_files import read_sql
from tasks.measure import Measure
from tasks.statistics_resampling import redraw_sums, take_limits

TRACKS_AT_MOST = 200
STEPS_AT_MOST = 50


@dataclass(frozen=True)
class TrackAnswers:
    """One model's answers along one track: `steps_to_lasting` went by before the answer that no longer changed."""

    group_id: str
    inclusion_probability: float | None
    step_count: int
    flip_count: int
    steps_to_lasting: int


def stage_asked(connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings) -> None:
    """Make the temp table `asked_sample`: what every model answers (`grouped_sample` must be there).

    Beside the hold-outs' members these are, of a hold-out, at most `TRACKS_AT_MOST` tracks with two steps or more,
    in a fixed random order, and the first `STEPS_AT_MOST` steps of each; of numbers none, for they change at every
    step. A step that lacks the picture or the features that its track's member has is left out.
    """
    connection.execute(
        read_sql("evaluate/asked_sample"),
        {
            "attribute": attribute.name,
            "feature_space": attribute.feature_space,
            "tracks_at_most": TRACKS_AT_MOST if attribute.kind == "class" else 0,
            "steps_at_most": STEPS_AT_MOST,
        },
    )


def measure_tracks(
    connection: duckdb.DuckDBPyConnection, attribute: AttributeSettings
) -> Iterator[tuple[str, Measure]]:
    """Yield model_version and figure, of all models and hold-outs; `new_prediction` holds their answers."""
    if attribute.kind != "class":
        return
    rows = connection.execute(read_sql("evaluate/track_answers")).fetchall()
    for (model, holdout_id), tracks in groupby(rows, key=lambda row: (str(row[0]), str(row[1]))):
        for measure in measure_stability(holdout_id, [TrackAnswers(*row[2:]) for row in tracks]):
            yield model, measure


def measure_stability(holdout_id: str, tracks: Sequence[TrackAnswers]) -> Iterator[Measure]:
    """Yield flips per hundred steps, and steps to the lasting answer, as means over tracks of two steps or more.

    A track of n answered steps goes n - 1 times from one to the next. Each track counts once, by the draw's weight
    where it is known of all; intervals are by a bootstrap over groups.
    """
    flips = np.array([100 * track.flip_count / (track.step_count - 1) for track in tracks])
    lasting = np.array([float(track.steps_to_lasting) for track in tracks])
    chances = [track.inclusion_probability for track in tracks]
    weights = np.array([1.0 if None in chances or chance is None else 1.0 / chance for chance in chances])
    redrawn = redraw_sums([weights, weights * flips, weights * lasting], [track.group_id for track in tracks])
    for place, (metric, values) in enumerate(
        (("flips_per_hundred_steps", flips), ("steps_to_lasting_answer", lasting)), start=1
    ):
        limits = take_limits(redrawn.sums[place] / redrawn.sums[0], redrawn.cluster_count)
        low, high = limits or (None, None)
        mean = float(np.average(values, weights=weights))
        yield Measure(holdout_id, "all", metric, mean, low, high, len(tracks))
