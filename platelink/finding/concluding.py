"""What an experiment comes to: begun, read, concluded, and which version of the fit said so."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from platelink.finding.answer import Conclusion
from platelink.finding.curve import NoFitError
from platelink.finding.experiments import FORMAT, KINDS, Experiment, ExperimentError, Levels, Wedge
from platelink.finding.readings import READINGS, DoseOf, WedgeSection
from platelink.finding.wedge import NOMINAL
from platelink.forms.keys import Section
from platelink.forms.problems import Reading

FITS = dict.fromkeys(KINDS, 1)
"""Version of each kind's fit, kept with every conclusion: raised when the same readings would give
another result."""
AHEAD = {
    "wedge": "expose three or four wedges, their doses staggered within a step",
    "reciprocity": "expose five wedges or more at full light and the same doses through a neutral "
    "mesh of four to one, staggered within a step",
    "depth": "expose a strip of eight patches about the dose, four in its middle, on two plates",
    "screens": "expose patches at five doses or more, each twice, under each screen",
    "bed": "read the light on a grid of three by three places or more, and at the first one again",
    "washout": "read more plates, and change one thing at a time",
}
"""What to try where nothing could be told, and nothing nearer is known."""


def concluded(experiment: Experiment, dose_of: DoseOf) -> Conclusion:
    """What the readings tell, or why they cannot, and what to try next."""
    fit = f"{experiment.kind} {FITS[experiment.kind]}"
    try:
        found = experiment.told(dose_of)
    except NoFitError as error:
        text = str(error)
        said = text if text.startswith("cannot tell") else f"cannot tell: {text}"
        return Conclusion(False, said, None, AHEAD[experiment.kind], (said,), "", fit)
    ahead = found.ahead or ("" if found.told else AHEAD[experiment.kind])
    return Conclusion(found.told, found.lines[0], found.figure, ahead, found.lines,
                      found.proposal, fit)  # fmt: skip


def begun(kind: str, head: Mapping[str, Any], who: str) -> Experiment:
    """An experiment of these keys, without readings; ExperimentError lists what is wrong."""
    model = KINDS[kind]
    own = {"format": FORMAT, "kind": kind, "who": who}
    taken = [name for name in head if name in own or name == "reading"]
    read = Reading(model, {**head}, kind)
    if taken:
        raise ExperimentError([read.problem((name,), "is not asked for here") for name in taken])
    try:
        return model.model_validate({**own, **head})
    except ValidationError as error:
        raise ExperimentError(read.problems(error)) from None


def reading_of(of: Experiment, typed: Mapping[str, Any]) -> Section:
    """One reading of this experiment as it was typed; ExperimentError lists what is wrong."""
    model = READINGS[of.kind]
    read = Reading(model, {**typed}, "reading")
    try:
        found = model.model_validate({**typed})
    except ValidationError as error:
        raise ExperimentError(read.problems(error)) from None
    if isinstance(of, Wedge | Levels) and isinstance(found, WedgeSection):
        steps = len(of.densities or NOMINAL)
        for name, value, most in (("held", found.held, steps), ("washed", found.washed, steps + 1)):
            if value > most:
                text = f"the wedge has {steps} steps; must be at most {most}"
                raise ExperimentError([read.problem((name,), text)])
    return found
