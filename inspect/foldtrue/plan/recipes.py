"""Recipes: the twists that a few words stand for, in the order of their ids, and the ring of each (0: not said)."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

from foldtrue.errors import PlanError
from foldtrue.plan.grid import grid_direction, grid_to_sheet
from foldtrue.plan.parts import (
    MAX_TWISTS,
    Hand,
    HoneycombRecipe,
    ListedTwist,
    MixedRecipe,
    Place,
    Recipe,
    RepeatRecipe,
    RhombiRecipe,
)

MAX_RINGS = 60

Numbered = tuple[list[ListedTwist], list[int]]
Fits = Callable[[ListedTwist], bool]


def follow_recipe(recipe: Recipe, radius_pitches: float, fits: Fits) -> Numbered:
    """All twists of a recipe, those left out taken away.

    radius_pitches: nothing farther from the grid's start lies on the sheet; fits: whether a twist lies on the sheet
    whole. Both only matter where no number of rings is given. Raises PlanError when a place to leave out has no twist,
    a motif's copies clash, or there are too many twists.
    """
    rings = recipe.rings or _rings_within(radius_pitches, recipe)
    made = _by_ring(rings, lambda ring: _ring_of(recipe, ring), None if recipe.rings else fits)
    if not made[0]:
        raise PlanError("No twist of the recipe fits on the sheet.", "Use a larger sheet or a smaller pitch.")
    return _leave_out(made, recipe.leave_out or ())


def _ring_of(recipe: Recipe, ring: int) -> Iterator[ListedTwist]:
    if isinstance(recipe, HoneycombRecipe):
        return _honeycomb_ring(recipe, ring)
    if isinstance(recipe, MixedRecipe):
        return _mixed_ring(recipe, ring)
    if isinstance(recipe, RhombiRecipe):
        return _rhombi_ring(recipe, ring)
    return _copies(recipe, ring)


def _rings_within(radius_pitches: float, recipe: Recipe) -> int:
    """So many rings that the next one lies outside a radius, wherever in its copy of the motif a twist stands.

    Copies of ring r lie on or outside a polygon through the tips of r - 1 times both steps (and their sum or
    difference); its sides are at least (area of a step cell) / (longest of them) per ring from the middle.
    """
    first, second = _steps(recipe)
    motif = recipe.motif if isinstance(recipe, RepeatRecipe) else ()
    reach = radius_pitches + max([abs(grid_to_sheet(*twist.grid, 1.0)) for twist in motif] or [abs(first)])
    longest = max(abs(first), abs(second), min(abs(first - second), abs(first + second)))
    rings = int(reach * longest / abs((first.conjugate() * second).imag)) + 2
    if rings > MAX_RINGS:
        raise PlanError("The recipe's steps are too small for this sheet.", "Use larger steps or a larger pitch.")
    return rings


def _steps(recipe: Recipe) -> tuple[complex, complex]:
    """The two steps from copy to copy, in pitches."""
    if isinstance(recipe, RepeatRecipe):
        return grid_to_sheet(*recipe.first_step, 1.0), grid_to_sheet(*recipe.second_step, 1.0)
    length = recipe.spacing
    if isinstance(recipe, RhombiRecipe):
        half = recipe.width_rows / 2
        return grid_to_sheet(length + half, -half, 1.0), grid_to_sheet(-half, length + half, 1.0)
    return grid_to_sheet(length, length, 1.0), grid_to_sheet(-length, 2 * length, 1.0)


def _by_ring(rings: int, twists_of: Callable[[int], Iterable[ListedTwist]], fits: Fits | None) -> Numbered:
    """Ring after ring, each counter-clockwise from +x; a place that an earlier ring has is not taken again."""
    listed: dict[tuple[float, float], ListedTwist] = {}
    ring_of: list[int] = []
    for ring in range(1, rings + 1):
        for twist in sorted(twists_of(ring), key=lambda t: (grid_direction(t.grid), _far(t.grid))):
            if (there := listed.get(_key(twist.grid))) is not None:
                _check_same(there, twist)
            elif fits is None or fits(twist):
                listed[_key(twist.grid)] = twist
                ring_of.append(ring)
        if len(listed) > MAX_TWISTS:
            raise PlanError(f"The recipe makes more than {MAX_TWISTS} twists.", "Use fewer rings or larger steps.")
    return list(listed.values()), ring_of


def _far(place: Place) -> float:
    return round(abs(grid_to_sheet(*place, 1.0)), 9)


def _key(place: Place) -> tuple[float, float]:
    return round(place[0], 6) + 0.0, round(place[1], 6) + 0.0


def _check_same(one: ListedTwist, other: ListedTwist) -> None:
    if (one.kind, one.turn, one.hand, one.width_rows) != (other.kind, other.turn, other.hand, other.width_rows):
        i, j = one.grid
        raise PlanError(
            f"Two copies of the motif want different twists at grid place ({i:g}, {j:g}).",
            "Change the steps or the motif.",
        )


def _other(hand: Hand) -> Hand:
    return "cw" if hand == "ccw" else "ccw"


def _honeycomb_ring(recipe: HoneycombRecipe, ring: int) -> Iterator[ListedTwist]:
    """The corners of the r-th ring of hexagonal cells."""
    for i, j in {corner for cell in _cells(ring) for corner in _around(*cell)}:
        like_first = (i - j) % 3 == 1
        yield ListedTwist(
            grid=(float(recipe.spacing * i), float(recipe.spacing * j)),
            kind="triangle",
            turn=0 if like_first else 1,
            hand=recipe.first_hand if like_first else _other(recipe.first_hand),
            width_rows=recipe.width_rows,
        )


def _mixed_ring(recipe: MixedRecipe, ring: int) -> Iterator[ListedTwist]:
    """Hexagons in the middle of the r-th ring of cells, triangles at the cells' corners."""
    step, width = recipe.spacing, recipe.width_rows
    cells = _cells(ring)
    for i, j in cells:
        yield ListedTwist(grid=(step * i, step * j), kind="hexagon", hand=recipe.first_hand, width_rows=width)
    for i, j in {corner for cell in cells for corner in _around(*cell)}:
        turn, hand = (1 if (i - j) % 3 == 1 else 0), _other(recipe.first_hand)
        yield ListedTwist(grid=(step * i, step * j), kind="triangle", turn=turn, hand=hand, width_rows=width)


def _rhombi_ring(recipe: RhombiRecipe, ring: int) -> Iterator[ListedTwist]:
    """The r-th square ring of rhombi, counted in pleats along 0 and along 60 degrees.

    A rhombus's pleats along one line are a width apart sideways, so the next twist along 0 stands half a width lower
    and the next along 60 half a width to the left: steps (L + w/2, -w/2) and (-w/2, L + w/2), twice the sum and the
    difference of which are the lattice steps (L, L) and (L + w, -L - w). The first is moved by half a width where that
    brings its corners onto grid points.
    """
    spacing, width = recipe.spacing, recipe.width_rows
    half, start = width / 2, (width % 2) / 2
    mirrored = recipe.first_hand == "cw"
    for p, q in _square_ring(ring):
        i, j = start + p * (spacing + half) - q * half, q * (spacing + half) - p * half
        hand = recipe.first_hand if (p + q) % 2 == 0 else _other(recipe.first_hand)
        # the mirror image in the line along 30 degrees keeps both pleat directions
        yield ListedTwist(grid=(j, i) if mirrored else (i, j), kind="rhombus", hand=hand, width_rows=width)


def _cells(ring: int) -> list[tuple[int, int]]:
    """Centres of the cells in the given ring, in steps of the spacing; ring 1 is the central cell alone."""
    return [(u + 2 * v, u - v) for u, v in _hexagon_ring(ring)]


def _hexagon_ring(ring: int) -> list[tuple[int, int]]:
    far = ring - 1
    steps = range(-far, far + 1)
    return [(u, v) for u in steps for v in steps if max(abs(u), abs(v), abs(u + v)) == far]


def _square_ring(ring: int) -> list[tuple[int, int]]:
    far = ring - 1
    steps = range(-far, far + 1)
    return [(u, v) for u in steps for v in steps if max(abs(u), abs(v)) == far]


def _around(i: int, j: int) -> list[tuple[int, int]]:
    return [(i + 1, j), (i, j + 1), (i - 1, j + 1), (i - 1, j), (i, j - 1), (i + 1, j - 1)]


def _copies(recipe: RepeatRecipe, ring: int) -> Iterator[ListedTwist]:
    """The motif's r-th ring of copies: six neighbours each where the steps make about 60 or 120 degrees, else eight."""
    first, second = _steps(recipe)
    cosine = (first.conjugate() * second).real / abs(first) / abs(second)
    ring_of_steps = _square_ring(ring) if abs(cosine) < 0.25 else _hexagon_ring(ring)
    (a, b), (c, d) = recipe.first_step, recipe.second_step
    for p, u in ring_of_steps:
        q = -u if cosine < -0.25 else u
        for twist in recipe.motif:
            i, j = twist.grid
            yield twist.model_copy(update={"grid": (i + p * a + q * c, j + p * b + q * d)})


def _leave_out(made: Numbered, places: Sequence[Place]) -> Numbered:
    out = {_key(place): place for place in places}
    missing = [place for key, place in out.items() if key not in {_key(t.grid) for t in made[0]}]
    if missing:
        i, j = missing[0]
        raise PlanError(
            f"twists.leave_out: the recipe has no twist at grid place ({i:g}, {j:g}).",
            "Take the place of a twist as 'plan draw --what guide' lists it.",
        )
    kept = [(twist, ring) for twist, ring in zip(*made, strict=True) if _key(twist.grid) not in out]
    if not kept:
        raise PlanError("twists.leave_out leaves no twist at all.", "Leave one at least.")
    return [twist for twist, _ in kept], [ring for _, ring in kept]
