"""What each view is and what may be done there: the page's own help, and the views in docs/page.md.

``python -m platelink.web.help docs/page.md`` writes the section of the document anew. The texts go
through the catalogues like every other, so a language has its help or its tests fail.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple

from platelink.web.words import N_

BEGIN, END = "<!-- views -->\n", "<!-- end of views -->\n"


class Act(NamedTuple):
    """An act, by the word that stands on the view."""

    word: str
    does: str
    right: str = ""
    """Whoever lacks it neither sees the act nor reads of it."""


class Help(NamedTuple):
    """One view's help."""

    title: str
    what: str
    acts: tuple[Act, ...] = ()


HELP = {
    "now": Help(
        N_("Now"),
        N_(
            "One plate's present step. The sentence says what to do, the largest "
            "figure is what counts for the hand, and below it is the next act. "
            "Beside them stand vacuum, irradiance and oven with their bands, and the "
            "cautions of the step. Of several plates one is chosen at the top; without a "
            "choice it is the one under the lamps, else one that needs attention. A scanned "
            "screen or lot is compared with what the plate needs."
        ),
        (
            Act(N_("New plate"), N_("Starts a plate. No light comes on."), "run"),
            Act(
                N_("Begin exposure"),
                N_(
                    "Asks once. Then UV light comes on by itself as soon as nothing is "
                    "missing, and goes off at the dose. Close the lid first, and let nobody "
                    "look in."
                ),
                "run",
            ),
            Act(N_("Begin"), N_("Begins the step or the time of its stage."), "run"),
            Act(N_("Done"), N_("Confirms what was done by hand; the plate continues."), "run"),
            Act(
                N_("Hold: light off"),
                N_(
                    "Switches the light off at once and asks nothing. The rest of the dose is kept."
                ),
                "run",
            ),
            Act(
                N_("Hold"),
                N_("Pauses the time of the stage or of the oven."),
                "run",
            ),
            Act(N_("Restart: light on"), N_("Asks once, then gives the rest of the dose."), "run"),
            Act(N_("Record the temperature"), N_("Keeps what was measured in the water."), "run"),
            Act(
                N_("Record the findings"),
                N_(
                    "Keeps depths and answers. What is out of limits makes the plate a "
                    "reject, and is asked about first."
                ),
                "run",
            ),
            Act(
                N_("End …"),
                N_("Stops or aborts the plate, or skips its step, with the reason."),
                "run",
            ),
        ),
    ),
    "plates": Help(
        N_("Plates"),
        N_(
            "The plates in progress, and those that ended lately. A touch on a name "
            "leads to its work, or to its record."
        ),
        (Act(N_("New plate"), N_("Starts a plate. No light comes on."), "run"),),
    ),
    "new_plate": Help(
        N_("New plate"),
        N_(
            "Start a plate here. Nothing is preselected: touch recipe, "
            "lot and job, or scan them; what was used last stands first. A lot that "
            "is missing, not entered, of another stock, past its date or used up is shown "
            "before the plate is started. If it is made anyway, this is recorded as a deviation."
        ),
        (Act(N_("Make this plate"), N_("Starts it and leads to its first step."), "run"),),
    ),
    "alarms": Help(
        N_("Alarms"),
        N_(
            "What is not as it should be: first what nobody has acknowledged, with "
            "value, limit, since when, likely cause and what to do."
        ),
        (
            Act(
                N_("Acknowledge"),
                N_("You have seen it. Its sound ends; the alarm stays until its cause is gone."),
                "answer_alarms",
            ),
            Act(
                N_("Reset"),
                N_("Clears an alarm that waits for it after its cause is gone."),
                "answer_alarms",
            ),
            Act(
                N_("Shelve …"), N_("Keeps it silent for a time, with the reason."), "change_alarms"
            ),
            Act(
                N_("Out of service …"),
                N_("Keeps it silent until somebody puts it back."),
                "change_alarms",
            ),
        ),
    ),
    "history": Help(
        N_("History"),
        N_(
            "Everything recorded. Search by plate, run, job or lot. A scanner types "
            "into it: if one fits, it opens by itself. Filters narrow it: lot, recipe, "
            "person, screen, verdict, alarm, dates. What is found can be saved as CSV or "
            "JSON, 20,000 rows at most."
        ),
        (Act(N_("Search"), N_("Finds what fits all that is entered.")),),
    ),
    "record": Help(
        N_("Record"),
        N_(
            "What was recorded of one plate or one run: steps, conditions, doses and how "
            "sure they are, curves, deviations, alarms, and who did what when. Holds, leaks, "
            "doors, alarms and acts are numbered on the curves; another run can be laid over "
            "them. What was recorded is never changed: notes and corrections stand beside it."
        ),
        (
            Act(N_("Print"), N_("One A4 page.")),
            Act(N_("Add a note"), N_("Adds it to a plate that has ended."), "note_plates"),
            Act(
                N_("Correct"),
                N_("Puts what is right beside what was recorded, with the reason."),
                "correct_plates",
            ),
        ),
    ),
    "ask": Help(
        N_("Ask the record"),
        N_(
            "Finds plates and runs for which everything entered is true. The first field finds "
            "parts of three characters and more; the others are compared whole, and lists offer "
            "what is on record. Thresholds look at vacuum and irradiance while light is on, and "
            "at the oven during a bake. A touch on a condition removes it. The question is in "
            "the address: keep it as a bookmark."
        ),
        (
            Act(N_("Search"), N_("Finds what fits all that is entered.")),
            Act(N_("Put side by side"), N_("Compares the two plates that are ticked.")),
        ),
    ),
    "ask_compare": Help(
        N_("Two plates side by side"),
        N_(
            "What differs between two plates, the most unusual difference first. Numbers are "
            "ranked by their difference over the usual spread of the newest hundred plates of "
            "the same recipe. Words that differ follow."
        ),
        (Act(N_("Put side by side"), N_("Compares the two plates that are entered.")),),
    ),
    "ask_sensor": Help(
        N_("If a sensor was wrong"),
        N_(
            "What was read with a sensor since a day. For a light channel the doses can be "
            "calculated again with a corrected calibration, from the stored readings. What was "
            "recorded is never changed."
        ),
        (Act(N_("Show"), N_("Shows what fits all that is entered.")),),
    ),
    "trends": Help(
        N_("Trends"),
        N_(
            "Lamps, pull-down, dose error, oven and depths by day, with their limits. What "
            "changed is numbered on the charts and listed below them."
        ),
        (Act(N_("Show"), N_("Shows what fits all that is entered.")),),
    ),
    "recipes": Help(
        N_("Recipes"),
        N_(
            "How plates are made. Each revision is a draft, approved or retired; none "
            "is ever changed."
        ),
        (
            Act(N_("Show what differs"), N_("Compares two revisions.")),
            Act(
                N_("Add a recipe or a revision"),
                N_("Takes a recipe file, as a draft."),
                "draft_recipes",
            ),
        ),
    ),
    "recipe": Help(
        N_("Recipe"),
        N_("One revision: its steps, its history, and what may be done with it."),
        (
            Act(N_("New plate by this recipe"), N_("Starts a plate with it."), "run"),
            Act(N_("As a file"), N_("Saves it, to be changed and added as a new revision.")),
            Act(N_("Approve"), N_("New plates use it; the one before is retired."), "sign_recipes"),
            Act(N_("Retire"), N_("No new plate uses it."), "sign_recipes"),
        ),
    ),
    "recipe_diff": Help(
        N_("What differs"),
        N_("What changed between two revisions, step by step."),
    ),
    "stock": Help(
        N_("Stock"),
        N_(
            "Lots of plate stock, line screens and artwork films: what is left, what is past its "
            "date or at its limit. A scanned label opens its lot, screen or film."
        ),
        (
            Act(N_("Count"), N_("Records the area left, as measured."), "use_lots"),
            Act(
                N_("Read its store"),
                N_("Records temperature and humidity where a lot lies."),
                "use_lots",
            ),
            Act(N_("Retire lot"), N_("No new plate uses it."), "change_lots"),
            Act(N_("Retire screen"), N_("No new plate uses it."), "change_screens"),
            Act(N_("Add a lot"), N_("Records a delivered lot."), "change_lots"),
            Act(
                N_("Add a screen"),
                N_("Records a screen; from then on its uses are counted."),
                "change_screens",
            ),
            Act(N_("Retire film"), N_("No new plate uses it."), "change_films"),
            Act(
                N_("Add a film"),
                N_("Records a film; plates then name it, and its uses are counted."),
                "change_films",
            ),
        ),
    ),
    "unit": Help(
        N_("Unit"),
        N_(
            "The machine: when sensors and maintenance are due, how far the lamps have faded, "
            "device and settings."
        ),
        (
            Act(N_("Compare sensors with a reference"), N_("Leads to the calibrations.")),
            Act(
                N_("It was done"),
                N_("Records that maintenance was done; its counters start over."),
                "do_maintenance",
            ),
            Act(N_("Find doses by experiments"), N_("Leads to the experiments.")),
            Act(
                N_("Record a hand meter reading"),
                N_("Separates fading lamps from an ageing sensor."),
                "drop_lessons",
            ),
            Act(
                N_("Lamps or sensor were cleaned"),
                N_("Takes it into account when the light changes."),
                "drop_lessons",
            ),
            Act(
                N_("Lamps were replaced"),
                N_("Starts counting hours and fade from zero."),
                "drop_lessons",
            ),
        ),
    ),
    "calibrations": Help(
        N_("Calibrations"),
        N_("Each sensor with its calibrations, as a chart and a list, and when the next is due."),
        (Act(N_("Calibrate it"), N_("Starts comparing a sensor with a reference."), "calibrate"),),
    ),
    "calibration": Help(
        N_("Calibration"),
        N_("One comparison with a reference, level by level, with the counts as they come in."),
        (
            Act(N_("Take the dark"), N_("Reads the sensor without light."), "calibrate"),
            Act(
                N_("Take the level"),
                N_("Reads the sensor beside the reference's value."),
                "calibrate",
            ),
            Act(
                N_("Find the line"),
                N_("Ends the readings and calculates the line through them."),
                "calibrate",
            ),
        ),
    ),
    "experiments": Help(
        N_("Experiments"),
        N_(
            "Which experiments find a dose, in the order in which a shop makes them, and what "
            "earlier ones told. Nothing found is applied by itself."
        ),
        (Act(N_("Begin one"), N_("Begins an experiment of this kind."), "experiment"),),
    ),
    "experiment": Help(
        N_("Experiment"),
        N_(
            "One experiment: what to expose, one reading after the other, and what they tell, "
            "with its interval. What was typed stays on record; a correction stands beside it."
        ),
        (
            Act(N_("Which doses?"), N_("Says which doses to expose about this one."), "experiment"),
            Act(N_("Keep the reading"), N_("Puts it on record."), "experiment"),
            Act(
                N_("Correct"), N_("Puts what is right in its place, with the reason."), "experiment"
            ),
            Act(
                N_("Conclude"), N_("Says what the readings tell, or what is missing."), "experiment"
            ),
        ),
    ),
    "people": Help(
        N_("People"),
        N_(
            "Your own PIN or password and sign-ins; for a lead, who works here, in "
            "which role, and who is locked."
        ),
        (
            Act(N_("Add a person"), N_("Adds a person who may sign in."), "change_people"),
            Act(
                N_("Offer these names at sign-in in this browser"),
                N_("From then on signing in here takes a touch on the name, and the PIN."),
                "change_people",
            ),
            Act(N_("Change your own PIN or password"), N_("Asks for the previous one.")),
            Act(N_("Sign out everywhere else"), N_("Ends your sign-ins elsewhere.")),
        ),
    ),
    "sign_in": Help(
        N_("Sign in"),
        N_(
            "Touch your name or scan it, then enter your PIN. Without signing in "
            "everybody still sees, at the top, whether UV light is on."
        ),
        (Act(N_("Sign in"), N_("Leads on to where you wanted to go.")),),
    ),
    "trouble": Help(
        N_("Trouble"),
        N_(
            "The page could not show what was asked for; why, and what to do, stands here. Where "
            "the unit's service does not answer, nothing on the page says what the unit is doing: "
            "go to the unit; its own stop button ends the light."
        ),
        (Act(N_("To the view “now”"), N_("Leads back.")),),
    ),
}
"""By the name of the view's template."""


def section() -> str:
    """The views of docs/page.md."""
    parts = []
    for help_ in HELP.values():
        acts = "".join(f"- **{act.word}** {act.does}{_who(act)}\n" for act in help_.acts)
        parts.append(f"### {help_.title}\n\n{help_.what}\n" + (f"\n{acts}" if acts else ""))
    return "\n".join(parts)


def _who(act: Act) -> str:
    return f" (right `{act.right}`)" if act.right else ""


def written(document: str) -> str:
    """The document with its section of views as it should be."""
    before, _, rest = document.partition(BEGIN)
    after = rest.partition(END)[2]
    return f"{before}{BEGIN}\n{section()}\n{END}{after}"


if __name__ == "__main__":
    place = Path(sys.argv[1])
    place.write_text(written(place.read_text("utf-8")), "utf-8")
