"""The settings of `scripts/test --verify structure`: which coasts are simulated.

The settings of a table (differentiation by own drift, width by age ...) are drawn in turn by the additive coast and by
a coalescent history, like the fields of a chess board: every level of every factor is met by both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from tests.verification.coasts import additive, histories
from tests.verification.coasts.study import Study

ISLANDS, LINES, GRADIENTS, ISOLATES, CONTACTS, BLOCKS = (
    "islands", "lines", "gradients", "isolates", "contacts", "blocks",
)  # fmt: skip


@dataclass(frozen=True)
class Setting:
    """One kind of coast.

    Attributes:
        group: what it is to show.
        draw: gives the study of a seed.
        fst: differentiation planted; NaN where there is none to speak of.
    """

    group: str
    draw: Callable[[int], Study]
    fst: float = float("nan")

    @property
    def by_history(self) -> bool:
        """Whether it is drawn by a coalescent history."""
        return self.draw.func.__module__ == histories.__name__


def hundredths(f: float) -> str:
    """Return an F_ST for a name: 050 for .05."""
    return f"{round(1000 * f):03d}"


def _islands() -> dict[str, Setting]:
    found = {}
    for a, fst in enumerate((0.005, 0.02, 0.05, 0.1)):
        for b, n_sites in enumerate((3, 6, 12)):
            for c, kind in enumerate(("even", "exponential")):
                draw = _in_turn(a + b + c, "islands", fst=fst, n_sites=n_sites, kind=kind)
                found[f"islands_{hundredths(fst)}_{n_sites}_{kind}"] = Setting(ISLANDS, draw, fst)
    return found


def _in_turn(number: int, name: str, **settings) -> Callable[[int], Study]:
    """Return the function of this name, of the additive coasts for even numbers and of the histories for odd ones."""
    return partial(getattr((additive, histories)[number % 2], name), **settings)


def _lines() -> dict[str, Setting]:
    found = {}
    for a, fst in enumerate((0.02, 0.03, 0.05, 0.1, 0.2)):
        for b, own in enumerate((0.0, 0.005, 0.02, 0.04)):
            draw = _in_turn(a + b, "lineages", fst=fst, own_drift=own)
            found[f"lineages_{hundredths(fst)}_own_{hundredths(own)}"] = Setting(LINES, draw, fst)
    for a, gap in enumerate((5, 10, 15, 20)):
        for b, (fst, own) in enumerate(((0.1, 0.005), (0.2, 0.02))):
            draw = _in_turn(a + b, "lineages", fst=fst, own_drift=own, gap=gap)
            found[f"gap_{gap}_{hundredths(fst)}"] = Setting(LINES, draw, fst)
    found["seven_nested"] = Setting(LINES, partial(additive.nested))
    found["gradient_with_break"] = Setting(LINES, partial(additive.gradient_with_break), 0.05)
    return found


def _gradients() -> dict[str, Setting]:
    walk = {
        "even_010": partial(additive.even_gradient, step=0.01),
        "even_002": partial(additive.even_gradient, step=0.002),
        "even_005_own_010": partial(additive.even_gradient, step=0.005, own_drift=0.01),
        "uneven_steps": partial(additive.uneven_steps),
        "steeper_half": partial(additive.steeper_half),
        "uneven_spacing": partial(additive.uneven_spacing),
        **{
            f"{hundredths(step)}_gap_{gap}": partial(additive.gradient_with_gap, step=step, gap=gap)
            for step, gap in ((0.01, 5), (0.01, 10), (0.01, 20), (0.002, 20))
        },
        "one_population": partial(additive.one_population),
        "one_population_history": partial(histories.one_population),
        "stones": partial(histories.stepping_stones, age=1000),
        "stones_strong": partial(histories.stepping_stones, migration=0.015, age=1000),
        "stones_gap_5": partial(histories.stepping_stones, gap=5, n_side=5, age=1000),
        "stones_gap_10": partial(histories.stepping_stones, gap=10, n_side=4, age=1000),
    }
    return {f"gradient_{name}": Setting(GRADIENTS, draw) for name, draw in walk.items()}


def _isolates() -> dict[str, Setting]:
    found = {}
    for a, fst in enumerate((0.05, 0.15)):
        for place in range(8):
            draw = _in_turn(a + place, "isolate", fst=fst, place=place)
            found[f"isolate_{hundredths(fst)}_at_{place}"] = Setting(ISOLATES, draw, fst)
    for fst, place in ((0.05, 0), (0.15, 7), (0.15, 3)):  # ends were judged otherwise than the middle once: both ways
        draw = partial(histories.isolate, fst=fst, place=place)
        found[f"isolate_{hundredths(fst)}_at_{place}_history"] = Setting(ISOLATES, draw, fst)
    return found


def _contacts() -> dict[str, Setting]:
    found = {}
    for a, width in enumerate((1, 2, 4, 8, 12, 20)):
        for b, fst in enumerate((0.1, 0.03)):
            for c, own in enumerate((0.0, 0.003, 0.01)):
                if (a + b + c) % 2 == 0:
                    draw = partial(additive.contact, width=width, fst=fst, own_drift=own)
                    found[f"contact_{width}_{hundredths(fst)}_own_{hundredths(own)}"] = Setting(CONTACTS, draw, fst)
    # at F_ST .03 these histories, of fewer animals and markers, tell of a contact in its first generations alone
    for width in (1, 4, 12):
        for fst, generations in ((0.1, 30), (0.1, 100), (0.1, 300), (0.03, 30)):
            draw = partial(histories.contact, width=width, fst=fst, generations=generations)
            found[f"contact_{width}_{hundredths(fst)}_after_{generations}"] = Setting(CONTACTS, draw, fst)
    return found


def _blocks() -> dict[str, Setting]:
    return {
        f"block_{what}_{'line' if line else 'panmictic'}_{kind.__name__.rsplit('.', 1)[1]}": Setting(
            BLOCKS, partial(kind.genome_blocks, what=what, line=line)
        )
        for what in additive.STRETCHES
        for line in (False, True)
        for kind in (additive, histories)
    }


SETTINGS = _islands() | _lines() | _gradients() | _isolates() | _contacts() | _blocks()
