"""What a recipe's steps need to be fitted once a site, over all lines of all visits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from yewline.errors import InputError
from yewline.model import Finding
from yewline.recipe import Recipe, StepCall
from yewline.signal import Section, fit_absorption, fit_q_star

__all__ = ["SiteFits", "fit_before", "fitted_steps"]

Line = tuple[npt.NDArray[np.float32], Section]

_FITTED: Final = {"compensate": "absorption_db_per_ns", "q_compensation": "q_star"}
"""Steps with a parameter that is fitted where the recipe does not state it."""
_SURE: Final = 2.0
"""1/Q* must stand so many standard deviations above nothing: a gain that grows with frequency lifts noise most."""


@dataclass(frozen=True, slots=True)
class SiteFits:
    """What was fitted so far; None where nothing asked for it, or nothing could be told.

    Attributes
    ----------
    absorption_db_per_ns : loss that is the same at all frequencies.
    q_star : quality factor, of the loss that grows with frequency.
    """

    absorption_db_per_ns: float | None = None
    q_star: float | None = None


def fitted_steps(recipe: Recipe) -> list[int]:
    """Places of the steps before the velocity is known that need a fit, the first of each kind.

    Examples
    --------
    >>> from yewline.recipe import standard_recipe
    >>> recipe = standard_recipe()
    >>> [recipe.before[at].step for at in fitted_steps(recipe)]
    ['compensate']
    """
    found: dict[str, int] = {}
    for at, call in enumerate(recipe.before):
        parameter = _FITTED.get(call.step)
        if parameter is not None and call.parameters.get(parameter) is None:
            found.setdefault(call.step, at)
    return sorted(found.values())


def fit_before(call: StepCall, fits: SiteFits, lines: Sequence[Line]) -> tuple[SiteFits, list[Finding]]:
    """Fit what a step needs, on what the steps before it made of all lines of the site.

    Parameters
    ----------
    call : the step.
    fits : what was fitted for steps before it.
    lines : samples and section of every line of every visit; gone through several times.

    Returns
    -------
    the fits with one more, and what there is to say of it.
    """
    if len(lines) == 0:
        return fits, []
    if call.step == "compensate":
        try:
            rate = fit_absorption(lines, spreading_power=float(call.parameters["spreading_power"]))
        except InputError as error:
            text = f"absorption is not compensated: {error.problem}"
            return replace(fits, absorption_db_per_ns=0.0), [Finding("warning", "absorption", text)]
        return replace(fits, absorption_db_per_ns=rate), []
    try:
        found = fit_q_star(lines)
    except InputError as error:
        text = f"absorption that grows with frequency is not compensated: {error.problem}"
        return fits, [Finding("warning", "q-star", text)]
    other = f"1/Q* {found.shift_inverse:.4f} ± {found.shift_inverse_sigma:.4f} by the shift of the spectrum's middle"
    if not found.inverse > _SURE * found.inverse_sigma:
        text = "absorption that grows with frequency is not compensated: none can be told from nothing"
        received = f"1/Q* {found.inverse:.4f} ± {found.inverse_sigma:.4f} (1 sd), {other}"
        return fits, [Finding("found", "q-star", text, received=received)]
    text = f"quality factor Q* {found.q_star:.0f}, fitted once over {found.lines} lines of all visits"
    received = f"± {found.q_star_sigma:.0f} (1 sd); {other}"
    return replace(fits, q_star=found.q_star), [Finding("found", "q-star", text, received=received)]
