"""What the page asks for an experiment is what the service takes, and no more than can be."""

from __future__ import annotations

from annotated_types import Ge, Gt, Le

from platelink.finding.experiments import KINDS
from platelink.finding.readings import READINGS, DepthUm
from platelink.forms.keys import Section
from platelink.web.experiments import typed
from platelink.web.guide import GUIDES, Field


def bounds(model: type[Section], name: str) -> tuple[float, float]:
    found = list(model.model_fields[name].metadata)
    if name == "points_um":
        found = [DepthUm.__metadata__[0].metadata[0], DepthUm.__metadata__[0].metadata[1]]  # type: ignore[attr-defined]
    least = [one.ge if isinstance(one, Ge) else one.gt for one in found if isinstance(one, Ge | Gt)]
    most = [one.le for one in found if isinstance(one, Le)]
    return float(least[0]) if least else -1e9, float(most[0]) if most else 1e9


def test_every_field_is_one_of_its_kind_within_its_bounds() -> None:
    for kind, guide in GUIDES.items():
        for model, fields in ((KINDS[kind], guide.head), (READINGS[kind], guide.reading)):
            for one in fields:
                known = model.model_fields[one.name]
                assert one.needed is known.is_required(), (kind, one.name)
                assert one.whole is ("int" in str(known.annotation)), (kind, one.name)
                assert bool(one.many) is ("tuple" in str(known.annotation)), (kind, one.name)
                assert (one.least is None) is ("str" in str(known.annotation)), (kind, one.name)
                if one.least is not None and one.most is not None:
                    least, most = bounds(model, one.name)
                    assert least <= one.least < one.most <= most, (kind, one.name)


def test_a_reading_asks_for_all_that_it_needs() -> None:
    for kind, guide in GUIDES.items():
        for model, fields in ((KINDS[kind], guide.head), (READINGS[kind], guide.reading)):
            needed = {name for name, one in model.model_fields.items() if one.is_required()}
            assert needed - {"format", "who", "kind"} <= {one.name for one in fields}, kind


def test_what_was_typed_stands_in_the_fields_without_its_unit() -> None:
    dose, text = Field("d", "Dose", "mJ/cm²", 0.0, 1e6), Field("lot", "Lot")
    points = Field("p", "Points", "µm", 0.0, 1000.0, many=3)
    assert typed(dose, {"d": "0.41 J/cm2"}) == ["410"]
    assert typed(dose, {"d": 412.25}) == ["412.25"]
    assert typed(dose, {"d": "much"}) == ["much"]
    assert typed(text, {"lot": "7"}) == ["7"] and typed(text, {}) == []
    assert typed(points, {"p": [28, 28.5]}) == ["28", "28.5"]
