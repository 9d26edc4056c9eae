"""Draw the demo's invented thermal-like pictures of obstacles and ground, and their features.

Only the demo imports this module, so numpy stands at the top. Everything here is invented: the shapes are
rough silhouettes made up for the demo and copy no sensor, orchard or data set.

Everything is drawn in bulk: `n` pictures of one situation at once, each parameter an array of length `n`. A
picture's *style* is a row of `STYLE_SIZE` uniform numbers that stay the same along an object's track; its
*scale* grows from picture to picture as the cart comes nearer.
"""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

PICTURE_SIZE = 16
STYLE_SIZE = 24
KEPT_FREQUENCIES = 9
FEATURE_COUNT = KEPT_FREQUENCIES**2 - 1
LIGHTS = ("day", "dusk", "low_sun", "lamp")

_EDGE = 14.0  # how steeply a silhouette's border falls off, per unit of half a picture
_NOISE = 0.06
_FEATURE_SCALE = 3.0  # brings the features to about the spread that a small network learns fast from
_CONTRAST = {"day": 1.0, "dusk": 0.75, "low_sun": 0.8, "lamp": 0.9}
_AXIS = np.linspace(-1.0, 1.0, PICTURE_SIZE)
_X, _Y = np.meshgrid(_AXIS, _AXIS)


def draw_pictures(situation: str, light: str, style: Floats, scale: Floats, rng: np.random.Generator) -> Floats:
    """Draw one picture a row of `style`: heat from about 0 to 1, shape (n, 16, 16).

    `style` has shape (n, STYLE_SIZE), `scale` shape (n,), 1 being an object that fills the picture.
    """
    if situation in GROUND_SITUATIONS:
        heat = GROUND_SITUATIONS[situation](style, scale)
    else:
        place = _place_object(style, scale)
        heat = OBSTACLE_SITUATIONS[situation](place, style)
    lit = _CONTRAST[light] * heat + _draw_background(light, style)
    return lit + rng.normal(0.0, _NOISE, lit.shape)


def measure_features(pictures: Floats) -> npt.NDArray[np.float32]:
    """Project pictures onto their low spatial frequencies: shape (n, FEATURE_COUNT).

    The projection is fixed: the orthonormal cosine transform (DCT-II), its first `KEPT_FREQUENCIES` rows and
    columns, without the mean, so that overall warmth does not count. It is summed without BLAS and rounded,
    so that the number of threads does not show in the result.
    """
    basis = _make_cosine_basis()
    half = np.einsum("nyx,vx->nyv", pictures, basis, optimize=False)
    spectrum = np.einsum("nyv,uy->nuv", half, basis, optimize=False)
    flat = spectrum.reshape(len(pictures), -1)[:, 1:]
    return np.asarray(np.round(_FEATURE_SCALE * flat, 4), dtype=np.float32)


def _make_cosine_basis() -> Floats:
    """Return the first rows of the orthonormal DCT-II matrix, shape (KEPT_FREQUENCIES, PICTURE_SIZE)."""
    frequency = np.arange(KEPT_FREQUENCIES)[:, None]
    angle = np.pi * (2 * np.arange(PICTURE_SIZE) + 1)[None, :] * frequency / (2 * PICTURE_SIZE)
    basis = np.sqrt(2.0 / PICTURE_SIZE) * np.cos(angle)
    basis[0] /= np.sqrt(2.0)
    return np.asarray(basis)


def _between(style: Floats, column: int, low: float, high: float) -> Floats:
    """Turn one uniform style number into a parameter between `low` and `high`, shape (n, 1, 1)."""
    return np.asarray(low + (high - low) * style[:, column, None, None])


def _sign(style: Floats, column: int) -> Floats:
    """Return -1 or 1 by one style number: which way an object faces, shape (n, 1, 1)."""
    return np.where(style[:, column, None, None] < 0.5, -1.0, 1.0)


def _place_object(style: Floats, scale: Floats) -> tuple[Floats, Floats]:
    """Return the object's own coordinates of every pixel: moved, scaled and leaning a little."""
    size = scale[:, None, None]
    across = (_X - _between(style, 0, -0.16, 0.16)) / size
    down = (_Y - _between(style, 1, -0.06, 0.08)) / size
    lean = _between(style, 2, -0.12, 0.12)
    return across + lean * down, down


def _soften(distance: Floats) -> Floats:
    """Turn a signed distance (negative inside) into a mask with a soft border."""
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(_EDGE * distance, -40.0, 40.0))))


def _draw_ellipse(
    place: tuple[Floats, Floats], centre: tuple[Floats | float, Floats | float], radii: tuple[float, float]
) -> Floats:
    """Mask an upright ellipse given in object coordinates."""
    reach = np.hypot((place[0] - centre[0]) / radii[0], (place[1] - centre[1]) / radii[1])
    return _soften((reach - 1.0) * min(radii))


def _draw_box(
    place: tuple[Floats, Floats], centre: tuple[Floats | float, Floats | float], halves: tuple[float, float]
) -> Floats:
    """Mask an upright rectangle given in object coordinates."""
    beyond_x = np.abs(place[0] - centre[0]) - halves[0]
    beyond_y = np.abs(place[1] - centre[1]) - halves[1]
    return _soften(np.maximum(beyond_x, beyond_y))


def _warmest(*parts: Floats) -> Floats:
    """Lay parts over one another: the warmest shows."""
    return np.asarray(np.maximum.reduce(parts))


def _draw_person(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw somebody who stands or walks: head, trunk, two legs."""
    stride = _between(style, 3, 0.05, 0.24)
    return _warmest(
        0.95 * _draw_ellipse(place, (0.0, -0.72), (0.17, 0.19)),
        _between(style, 4, 0.6, 0.8) * _draw_ellipse(place, (0.0, -0.15), (0.27, 0.45)),
        0.55 * _draw_box(place, (-stride, 0.58), (0.09, 0.36)),
        0.55 * _draw_box(place, (stride, 0.58), (0.09, 0.36)),
    )


def _draw_one_crate(place: tuple[Floats, Floats], centre: tuple[Floats, float], warmth: Floats) -> Floats:
    """Draw one crate: a box with darker gaps between its slats."""
    slats = 0.85 + 0.15 * np.cos((place[1] - centre[1]) * 4.0 * np.pi)
    return warmth * slats * _draw_box(place, centre, (0.42, 0.36))


def _draw_crates(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw two crates side by side with something left lying on top of one of them."""
    side = _sign(style, 5)
    warmth = _between(style, 4, 0.5, 0.75)
    gap = _between(style, 3, 0.36, 0.48)
    on_top = _draw_box(place, (-side * gap + _between(style, 6, -0.15, 0.15), -0.2), (0.2, 0.12))
    return _warmest(
        _draw_one_crate(place, (side * gap, 0.3), warmth),
        _draw_one_crate(place, (-side * gap, 0.3), warmth),
        _between(style, 7, 0.0, 0.6) * on_top,
    )


def _draw_crouched(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw somebody crouched beside a crate: of a crate's size, with the head where things lie on crates."""
    side = _sign(style, 5)
    warmth = _between(style, 4, 0.5, 0.75)
    gap = _between(style, 3, 0.36, 0.48)
    back = _draw_ellipse(place, (-side * gap, 0.27), (0.42, 0.44))
    head = _draw_ellipse(place, (-side * gap + _between(style, 6, -0.08, 0.14), -0.4), (0.18, 0.2))
    return _warmest(
        _draw_one_crate(place, (side * gap, 0.3), warmth),
        _between(style, 8, 0.6, 0.85) * back,
        _between(style, 7, 0.7, 1.0) * head,
    )


def _draw_animal(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw a dog or a deer from the side: body, head, four legs."""
    side = _sign(style, 5)
    body = _between(style, 4, 0.65, 0.85) * _draw_ellipse(place, (0.0, 0.12), (0.56, 0.2))
    head = 0.9 * _draw_ellipse(place, (side * 0.58, _between(style, 3, -0.3, 0.05)), (0.17, 0.16))
    legs = [0.5 * _draw_box(place, (at, 0.5), (0.06, 0.26)) for at in (-0.42, -0.26, 0.28, 0.44)]
    return _warmest(body, head, *legs)


def _draw_leaves(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw a branch that hangs into the row: leaves of different warmth, none where another's is warmer."""
    leaves = [
        _between(style, 20 - number, 0.3, 0.75)
        * _draw_ellipse(
            place,
            (_between(style, 9 + number, -0.8, 0.8), _between(style, 17 - number, -0.85, 0.8)),
            (0.34, 0.19) if number % 2 else (0.18, 0.36),
        )
        for number in range(8)
    ]
    return _warmest(*leaves)


def _draw_animal_in_grass(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw an animal of which tall grass hides the legs and much of the body."""
    phase = _between(style, 9, 0.0, 2 * np.pi)
    blades = 0.5 + 0.5 * np.cos(place[0] * 11.0 + phase)
    hidden = _soften(-0.05 - place[1]) * blades
    return _warmest(
        _draw_animal(place, style) * (1 - 0.75 * hidden), 0.45 * hidden, 0.6 * _draw_leaves(place, style)
    )


def _draw_ladder(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw a picker's ladder: two rails that come together at the top, and rungs."""
    spread = _between(style, 3, 0.2, 0.3) + 0.16 * place[1]
    rails = _soften(np.abs(np.abs(place[0]) - spread) - 0.08) * _soften(np.abs(place[1]) - 0.95)
    rungs = _soften(0.1 - 0.5 * (1 + np.cos(place[1] * 4.0 * np.pi))) * _soften(np.abs(place[0]) - spread)
    return _between(style, 4, 0.6, 0.8) * _warmest(rails, 0.6 * rungs * _soften(np.abs(place[1]) - 0.95))


def _draw_ladder_in_glare(place: tuple[Floats, Floats], style: Floats) -> Floats:
    """Draw a ladder that leans in a tree against the sun: thinned by glare, broken up by warm leaves."""
    return _warmest(0.95 * _draw_ladder(place, style), 0.55 * _draw_leaves(place, style))


def _draw_background(light: str, style: Floats) -> Floats:
    """Draw what the light adds: a warm sky, a low sun at one side, or a lamp's cone."""
    if light == "low_sun":
        side = _sign(style, 21)
        return 0.35 * np.exp(-(((_X - side * 0.9) / 0.8) ** 2 + ((_Y + 0.8) / 0.9) ** 2))
    if light == "lamp":
        return 0.25 * np.exp(-(_X**2 + (_Y - 0.3) ** 2) / 0.7) * _between(style, 21, 0.6, 1.2)
    slope = 0.12 if light == "day" else 0.05
    return slope * (_between(style, 21, 0.5, 1.5) - _Y)


def _draw_clods(style: Floats, scale: Floats, strength: float) -> Floats:
    """Draw the fine grain that every ground has: two crossed waves, coarser as the patch comes nearer."""
    turn = _between(style, 3, 0.0, np.pi)
    along = np.cos(turn) * _X + np.sin(turn) * _Y
    across = -np.sin(turn) * _X + np.cos(turn) * _Y
    pace = _between(style, 4, 6.0, 10.0) / scale[:, None, None]
    phase = _between(style, 5, 0.0, 2 * np.pi)
    return strength * np.cos(along * pace + phase) * np.cos(across * pace * 0.8 - phase)


def _draw_ruts(style: Floats, scale: Floats, depth: Floats) -> Floats:
    """Draw two wheel tracks that run away from the cart: cooler, since they hold water."""
    spread = _between(style, 6, 0.3, 0.5) * scale[:, None, None] * (0.75 + 0.35 * _Y)
    middle = _between(style, 7, -0.2, 0.2) + 0.1 * np.sin(3 * _Y + _between(style, 8, 0.0, 2 * np.pi))
    return -depth * _soften(np.abs(np.abs(_X - middle) - spread) - 0.13)


def _draw_firm(style: Floats, scale: Floats) -> Floats:
    """Draw firm ground: grain, and at most a hint of old tracks."""
    return 0.5 + _draw_clods(style, scale, 0.12) + _draw_ruts(style, scale, _between(style, 9, 0.0, 0.1))


def _draw_soft(style: Floats, scale: Floats) -> Floats:
    """Draw soft ground: deep cool ruts in grain that has run together."""
    return 0.5 + _draw_clods(style, scale, 0.06) + _draw_ruts(style, scale, _between(style, 9, 0.3, 0.5))


def _draw_crusted(style: Floats, scale: Floats) -> Floats:
    """Draw soft ground under a dry crust: the grain of firm ground, shallow ruts, and a few long cracks."""
    bend = _between(style, 10, -0.3, 0.3)
    cracks = _soften(
        np.abs(np.sin(3.2 * (_Y + bend * _X) / scale[:, None, None] + 1.2 * style[:, 11, None, None])) - 0.2
    )
    ruts = _draw_ruts(style, scale, _between(style, 9, 0.12, 0.26))
    return 0.5 + _draw_clods(style, scale, 0.1) + ruts - _between(style, 12, 0.16, 0.3) * cracks


def _draw_flooded(style: Floats, scale: Floats) -> Floats:
    """Draw standing water: cold and flat, with bands of mirrored sky."""
    bands = 0.2 * np.cos(_Y * _between(style, 4, 5.0, 8.0) + _between(style, 5, 0.0, 2 * np.pi))
    pool = _soften(np.hypot((_X - _between(style, 6, -0.3, 0.3)) / 1.1, (_Y - 0.2) / 0.8) - scale[:, None, None])
    return 0.5 + _draw_clods(style, scale, 0.06) + pool * (bands - 0.3)


OBSTACLE_SITUATIONS: dict[str, Callable[[tuple[Floats, Floats], Floats], Floats]] = {
    "person": _draw_person,
    "person_crouched_beside_crate": _draw_crouched,
    "animal": _draw_animal,
    "animal_in_tall_grass": _draw_animal_in_grass,
    "crate": _draw_crates,
    "ladder": _draw_ladder,
    "ladder_against_sun": _draw_ladder_in_glare,
    "foliage": _draw_leaves,
}
GROUND_SITUATIONS: dict[str, Callable[[Floats, Floats], Floats]] = {
    "firm": _draw_firm,
    "soft": _draw_soft,
    "soft_under_crust": _draw_crusted,
    "flooded": _draw_flooded,
}
LABEL_OF = {
    "person": "person",
    "person_crouched_beside_crate": "person",
    "animal": "animal",
    "animal_in_tall_grass": "animal",
    "crate": "crate",
    "ladder": "ladder",
    "ladder_against_sun": "ladder",
    "foliage": "foliage",
    "firm": "firm",
    "soft": "soft",
    "soft_under_crust": "soft",
    "flooded": "flooded",
}
