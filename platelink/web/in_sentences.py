"""Single words inside what a unit says, where they mean something else than by themselves."""

from __future__ import annotations

from platelink.web.words import N_, WORDS

IN_SENTENCES = WORDS | {
    # why the lamp output went off
    "none": N_("none"),
    "dose": N_("dose"),
    "guard": N_("guard time"),
    "host": N_("computer"),
    "silence": N_("no contact with the computer"),
    "interlock": N_("interlock"),
    "stop": N_("stop"),
    "limit": N_("limit"),
    # commands, outputs, directions
    "start": N_("start"),
    "begin": N_("begin"),
    "done": N_("done"),
    "hold": N_("Hold"),
    "restart": N_("Restart"),
    "abort": N_("abort"),
    "skip": N_("skip"),
    "measure": N_("record results"),
    "lamps on": N_("lamps on"),
    "lamps off": N_("lamps off"),
    "not known": N_("not known"),
    "name": N_("name"),
    "nothing": N_("nothing"),
    "now": N_("now"),
    "flood": N_("flood"),
    "reset": N_("reset"),
    "removed": N_("put out of service"),
    "beeper": N_("beeper"),
    "light": N_("Light"),
    "above": N_("above"),
    "below": N_("below"),
    "fell": N_("fell"),
    "rose": N_("rose"),
    "more": N_("more"),
    "less": N_("less"),
    "yes": N_("yes"),
    "no": N_("no"),
    "corrected": N_("corrected"),
    # why the device restarted
    "power on": N_("power on"),
    "brown out": N_("supply dipped"),
    "watchdog": N_("watchdog"),
    # units that are words
    "counts": N_("counts"),
    "days": N_("days"),
    "entries": N_("entries"),
}
"""All words of the service, with what these mean in a sentence."""
