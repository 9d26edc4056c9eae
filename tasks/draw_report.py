"""The plots of a report as SVG text: the same facts give the same bytes, with no date and no random name in them.

Only imported where a report is written: matplotlib takes half a second to load. Text stays text. The colours are
told apart by people who see few of them (Okabe & Ito 2008, from memory), and nothing is told by colour alone.
"""

import io
import logging
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure as Drawing

from tasks.report_facts import ComparedFigure, Confusion, Figure, HistoryLine

_INK, _SOFT, _LINE = "#1d1f1c", "#5b605a", "#c9cdc3"
_BLUE, _ORANGE, _GREY, _GREEN = "#0072b2", "#d55e00", "#6f746d", "#009e73"
# name, colour, marker, how far below the row's middle: so that the three never lie on each other
_ROLES = (("before", _GREY, "o", -0.24), ("control", _GREEN, "s", 0.0), ("after", _BLUE, "D", 0.24))
_WORDS = {"before": "before (incumbent)", "control": "control", "after": "after (candidate)"}
_LINES = ((_BLUE, "o", "-"), (_ORANGE, "s", "--"), (_GREEN, "^", "-."), (_GREY, "D", ":"))
_WIDTH = 9.2  # inches
_SHORT, _LONG = 9, 24  # letters of a name that fits below a field, and beside a row
LABELS_AT_MOST = 20  # labels of a matrix that can still be read
_STYLE: dict[Any, Any] = {
    "svg.hashsalt": "turnrow",
    "svg.fonttype": "none",
    "text.parse_math": False,  # labels are the user's text: a dollar sign is a dollar sign
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9,
    "axes.edgecolor": _LINE,
    "axes.labelcolor": _SOFT,
    "axes.unicode_minus": True,
    "text.color": _INK,
    "xtick.color": _SOFT,
    "ytick.color": _INK,
    "xtick.labelcolor": _SOFT,
    "legend.frameon": False,
}


@contextmanager
def _hold_style() -> Iterator[None]:
    """Draw in our own style, whatever the user's matplotlibrc says: else a page would depend on the machine."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def draw_figures(figures: Sequence[ComparedFigure]) -> str:
    """Return dots with intervals: a row a hold-out, incumbent, control and candidate below each other."""
    with _hold_style():
        drawing = Drawing(figsize=(_WIDTH, 0.9 + 0.62 * len(figures)), layout="constrained")
        axes = drawing.add_subplot()
        for row, figure in enumerate(figures):
            _draw_row(axes, row, figure)
        names = [f"{_shorten(figure.holdout)}\n{_shorten(figure.what)}" for figure in figures]
        axes.set_yticks(range(len(figures)), names)
        axes.set_ylim(len(figures) - 0.45, -0.55)
        _set_shares(axes, "x")
        _draw_legend(drawing, axes, has_wanted=any(figure.wanted is not None for figure in figures))
        return _spell(drawing, "figures")


def _draw_row(axes: Axes, row: int, figure: ComparedFigure) -> None:
    if row:
        axes.axhline(row - 0.5, color=_LINE, linewidth=0.6)
    for name, colour, marker, below in _ROLES:
        one: Figure | None = getattr(figure, name)
        if one is None:
            continue
        label = _WORDS[name] if row == 0 else "_"
        axes.errorbar(
            [100 * one.value],
            [row + below],
            xerr=[[100 * one.below], [100 * one.above]],
            color=colour,
            marker=marker,
            markersize=5.5,
            markerfacecolor="white" if name == "before" else colour,
            elinewidth=1.3,
            capsize=2.5,
            linestyle="none",
            label=label,
        )
    if figure.wanted is not None:
        wanted = [100 * figure.wanted] * 2
        axes.plot(wanted, [row - 0.42, row + 0.42], color=_ORANGE, linewidth=1.4, linestyle=(0, (2, 1.5)))


def _draw_legend(drawing: Drawing, axes: Axes, *, has_wanted: bool) -> None:
    handles, names = axes.get_legend_handles_labels()
    if has_wanted:
        handles += axes.plot([], [], color=_ORANGE, linewidth=1.4, linestyle=(0, (2, 1.5)))
        names.append("what the case wants")
    drawing.legend(handles, names, loc="outside upper left", ncols=4, fontsize=8.5)


def _set_shares(axes: Axes, which: str) -> None:
    """Have an axis count in per cent, from 0 to 100, with thin lines across."""
    ticks = [0, 20, 40, 60, 80, 100]
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_ticks(ticks, [f"{tick} %" for tick in ticks])
    (axes.set_xlim if which == "x" else axes.set_ylim)(-2, 102)
    axis.grid(visible=True, color=_LINE, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(length=0)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)


def draw_confusion(confusion: Confusion) -> str:
    """Return two matrices, before and after (without an incumbent one), a row a truth, shaded by share of the row.

    Right answers are in blue.
    """
    labels, size = confusion.labels, len(confusion.labels)
    sides = ("before", "after") if confusion.has_before else ("after",)
    with _hold_style():
        drawing = Drawing(figsize=(_WIDTH, max(2.6, 1.1 + 0.46 * size)), layout="constrained")
        places = drawing.subplots(1, 2, sharey=True, squeeze=False)[0]
        for axes, side in zip(places, sides, strict=False):
            counts = np.zeros((size, size), dtype=int)
            for row in confusion.counts:
                counts[labels.index(row["truth"]), labels.index(row["predicted"])] = row[f"{side}_count"]
            _draw_matrix(axes, counts, labels)
            axes.set_title(_WORDS[side], fontsize=9.5, loc="left", color=_INK)
            axes.set_xlabel("called")
        places[0].set_ylabel("is")
        for axes in places[len(sides) :]:
            axes.set_visible(False)
        return _spell(drawing, "confusion")


def _draw_matrix(
    axes: Axes, counts: "np.ndarray[tuple[int, int], np.dtype[np.int_]]", labels: Sequence[str]
) -> None:
    size = len(labels)
    shares = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    is_right = np.eye(size, dtype=bool)
    for mask, colour in ((is_right, _BLUE), (~is_right, _ORANGE)):
        shades = LinearSegmentedColormap.from_list("shades", ["#ffffff", colour])
        shown = np.ma.masked_array(np.sqrt(shares), mask=~mask)  # a root, so that rare errors can be seen too
        axes.pcolormesh(shown, cmap=shades, vmin=0, vmax=1.25, edgecolors=_LINE, linewidth=0.5)
    for (row, column), count in np.ndenumerate(counts):
        dark = shares[row, column] > 0.5
        axes.text(
            column + 0.5,
            row + 0.5,
            f"{count:,}" if count else "·",
            ha="center",
            va="center",
            color="white" if dark else _INK if count else _GREY,
            fontsize=9 if size <= 12 else 6.5,
            fontweight="bold" if row == column else "normal",
        )
    places = np.arange(size) + 0.5
    names = [_shorten(label) for label in labels]
    is_tight = size > 4 or any(len(name) > _SHORT for name in names)
    axes.set_xticks(places, names, rotation=40 if is_tight else 0, ha="right" if is_tight else "center")
    axes.set_yticks(places, names)
    axes.set_ylim(size, 0)
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def draw_history(lines: Sequence[HistoryLine]) -> str:
    """Return one figure over the models that it was measured on, a line a hold-out version, never joined."""
    models = list(dict.fromkeys(point.model_version for line in lines for point in line.points))
    with _hold_style():
        drawing = Drawing(figsize=(4.3, 2.3), layout="constrained")
        axes = drawing.add_subplot()
        for number, line in enumerate(lines):
            _draw_line(axes, line, models, number)
        axes.set_xticks(range(len(models)), [str(number + 1) for number in range(len(models))])
        axes.set_xlim(-0.5, len(models) - 0.5)
        axes.set_xlabel("model, numbered as in the table")
        _set_shares(axes, "y")
        drawing.legend(loc="outside upper left", ncols=2, fontsize=8.5)
        return _spell(drawing, f"history-{_spell_name(lines[0].holdout)}")


def _draw_line(axes: Axes, line: HistoryLine, models: Sequence[str], number: int) -> None:
    colour, marker, style = _LINES[number % len(_LINES)]
    places = [models.index(point.model_version) for point in line.points]
    figures = [point.figure for point in line.points]
    axes.errorbar(
        places,
        [100 * one.value for one in figures],
        yerr=[
            [100 * one.below for one in figures],
            [100 * one.above for one in figures],
        ],
        color=colour,
        marker=marker,
        linestyle=style,
        markersize=5.5,
        linewidth=1.4,
        capsize=2.5,
        elinewidth=1,
        label=f"hold-out version {line.version}",
    )


def _shorten(name: str) -> str:
    """Return a name as there is room for; the table beside the plot has it whole."""
    return name if len(name) <= _LONG else f"{name[: _LONG - 1]}…"


def _spell_name(text: str) -> str:
    """Return a text as letters and digits, fit for a name within a page."""
    return text.encode().hex()


def _spell(drawing: Drawing, name: str) -> str:
    """Return a drawing as an `svg` element whose inner names are its own within the page."""
    written = io.StringIO()
    canvas: Any = FigureCanvasSVG(drawing)
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # letters that our font lacks: the reader's may have them
        canvas.print_svg(written, metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    text = written.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*|<!--.*?-->\s*", "", text, flags=re.DOTALL)
    return re.sub(r"<[^>]*>", lambda tag: _own_names(tag[0], name), text)


def _own_names(tag: str, name: str) -> str:
    """Put `name` before the id of a tag and before what the tag refers to; text between tags is left alone."""
    return re.sub(r'( id="|url\(#|href="#)', rf"\g<1>{name}-", tag)
