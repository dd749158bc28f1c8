"""A method for everything the service does, in the models of ``platelink.contract``. One thread.

``ClientError`` tells what was refused and why, ``NoService`` that nobody answers.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Self, TypeVar

import httpx

from platelink.client.errors import ClientError, NoService, refusal
from platelink.client.lane import Ways
from platelink.client.live import Live
from platelink.client.reach import answers, nobody
from platelink.client.stated import read, request
from platelink.client.stock import StockCalls, part
from platelink.contract import experiments as ex
from platelink.contract.base import Answer, Done, Reasoned, Request
from platelink.contract.calibrations import (
    CALIBRATION_ACTS,
    AtCalibration,
    Calibration,
    Calibrations,
    CalibrationWhole,
    CountsNow,
    NewCalibration,
)
from platelink.contract.lamps import LampsNow, LampWork
from platelink.contract.people import (
    FirstLead,
    Me,
    NewPerson,
    People,
    PeopleHistory,
    Person,
    PersonNoted,
    Regain,
    Session,
    SignedOut,
    SignIn,
)  # fmt: skip
from platelink.contract.plates import (
    ActOnPlate,
    NewPlate,
    NoteOnPlate,
    PlateCorrectionAsked,
    PlateMade,
    Plates,
    PlatesQuery,
    PlateWhole,
)  # fmt: skip
from platelink.contract.predicted import DepthPredicted, DepthQuery
from platelink.contract.recipes import (
    Added,
    Diff,
    RecipeFile,
    RecipeListed,
    Recipes,
    RecipeWhole,
    Revision,
)
from platelink.contract.remake import Remake
from platelink.contract.runs import Device, Runs, RunsQuery, RunWhole, Samples, SamplesQuery
from platelink.contract.service import ends, lane_of
from platelink.contract.unit import AlarmAnswer, Alarms, ExposureJob, Reason, StatusNow
from platelink.contract.words import AlarmAct, Command, PlateAct, Role

URL = "http://platelink"
ANSWER_S = 30.0
"""How long an answer may take: a service that just starts takes a second or two."""
_A = TypeVar("_A", bound=Answer)


class Client:
    """Speaks to the service at a Unix socket, or through ``transport``.

    Without a token it says that it is a program on this computer, which counts as a lead while
    nobody is entered, and as a reader from then on."""

    def __init__(
        self,
        socket: Path,
        token: str | None = None,
        *,
        transport: httpx.BaseTransport | None = None,
        answer_s: float = ANSWER_S,
    ) -> None:
        self.socket = socket
        self._reached = transport is not None
        self._headers = {"authorization": f"Bearer {token}"} if token else {"platelink-local": "1"}
        self._http = httpx.Client(
            transport=transport or Ways(socket),
            base_url=URL,
            headers=self._headers,
            timeout=answer_s,
            trust_env=False,
        )
        self.stock = StockCalls(self._get, self._post)
        """Lots, screens, films."""

    def close(self) -> None:
        """Hang up."""
        self._http.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- one request ------------------------------------------------------------------------

    def _get(
        self, answer: type[_A], path: str, query: Request | None = None, **more: str | int | None
    ) -> _A:
        given = query.given() if query else {k: v for k, v in more.items() if v is not None}
        return read(answer, self._request("GET", path, params=given))

    def _post(self, answer: type[_A], path: str, body: Request | None = None) -> _A:
        given = body.given() if body is not None else {}
        return read(answer, self._request("POST", path, json=given))

    def _request(self, method: str, path: str, **more: Any) -> httpx.Response:
        if not (self._reached or self._answered(path)):
            raise NoService(nobody(self.socket))
        try:
            answer = self._http.request(method, f"/v1{path}", **more)
            self._reached = True
        except UnicodeEncodeError:
            raise ClientError("holds what UTF-8 cannot; type it again", "misuse") from None
        except httpx.TransportError as error:
            self._reached = False
            raise NoService(f"{nobody(self.socket)} ({error})") from None
        if answer.is_success:
            return answer
        raise refusal(answer.content, f"{answer.status_code} {answer.reason_phrase}")

    def _answered(self, path: str) -> bool:
        return (ends(f"/v1{path}") and answers(lane_of(self.socket))) or answers(self.socket)

    # --- the unit --------------------------------------------------------------------------

    def status(self) -> StatusNow:
        """What the daemon sees now."""
        return self._get(StatusNow, "/status")

    def live(self) -> Live:
        """Lines of the unit as they come; see ``Live``."""
        return Live(self.socket, self._headers)

    def alarms(self) -> Alarms:
        """Alarms that are not normal."""
        return self._get(Alarms, "/alarms")

    def alarm(self, name: str, act: AlarmAct, answer: AlarmAnswer | None = None) -> Done:
        """Acknowledge, reset, shelve, unshelve, remove or return an alarm."""
        return self._post(Done, f"/alarms/{part(name)}/{act}", answer)

    def expose(self, job: ExposureJob) -> str:
        """Begin an exposure; its run."""
        return str(self._post(Done, "/expose", job).run_id)

    def command(self, act: Command, reason: str = "") -> Done:
        """Hold, restart, stop or abort the exposure that is going on."""
        return self._post(Done, f"/exposure/{act}", request(Reason, reason=reason))

    def device(self) -> Device:
        """The device, its sensors and the settings in force."""
        return self._get(Device, "/device")

    def drop_lessons(self, why: str) -> Done:
        """Have what lamps taught dropped."""
        return self._post(Done, "/lessons/drop", request(Reasoned, why=why))

    # --- calibrations ----------------------------------------------------------------------

    def counts(self, sensor: str) -> CountsNow:
        """What the device counts at an input."""
        return self._get(CountsNow, f"/counts/{part(sensor)}")

    def calibrations(self) -> list[Calibration]:
        """All calibrations."""
        return self._get(Calibrations, "/calibrations").calibrations

    def calibration(self, name: str) -> CalibrationWhole:
        """One calibration, with everything read and done."""
        return self._get(CalibrationWhole, f"/calibrations/{part(name)}")

    def begin_calibration(self, new: NewCalibration) -> Calibration:
        """Begin one."""
        return self._post(Calibration, "/calibrations", new)

    def at_calibration(self, name: str, what: AtCalibration) -> Calibration:
        """Read into, finish, approve or drop one."""
        act = CALIBRATION_ACTS[type(what)]
        return self._post(Calibration, f"/calibrations/{part(name)}/{act}", what)

    # --- experiments -----------------------------------------------------------------------

    def experiments(self) -> list[ex.Experiment]:
        """All experiments."""
        return self._get(ex.Experiments, "/experiments").experiments

    def experiment(self, name: str) -> ex.ExperimentWhole:
        """One experiment, with everything read and done."""
        return self._get(ex.ExperimentWhole, f"/experiments/{part(name)}")

    def begin_experiment(self, new: ex.NewExperiment) -> ex.Experiment:
        """Begin one."""
        return self._post(ex.Experiment, "/experiments", new)

    def at_experiment(self, name: str, what: ex.AtExperiment) -> ex.Experiment:
        """Read into, correct, conclude or discard one."""
        act = ex.EXPERIMENT_ACTS[type(what)]
        return self._post(ex.Experiment, f"/experiments/{part(name)}/{act}", what)

    def lamps(self) -> LampsNow:
        """The lamp set in use."""
        return self._get(LampsNow, "/lamps")

    def lamp_work(self, work: LampWork) -> Done:
        """Enter what was done to the lamps, or measured."""
        return self._post(Done, "/lamps", work)

    # --- plates ----------------------------------------------------------------------------

    def plates(self, query: PlatesQuery | None = None) -> Plates:
        """Plates in progress and on record."""
        return self._get(Plates, "/plates", query)

    def plate(self, plate: str) -> PlateWhole:
        """Everything about one plate."""
        return self._get(PlateWhole, f"/plates/{part(plate)}")

    def make_plate(self, plate: NewPlate) -> PlateMade:
        """Start a plate from a recipe."""
        return self._post(PlateMade, "/plates", plate)

    def act(self, plate: str, act: PlateAct, more: ActOnPlate | None = None) -> Done:
        """Do something to a plate."""
        return self._post(Done, f"/plates/{part(plate)}/{act}", more)

    def after_plate(self, plate: str, what: NoteOnPlate | PlateCorrectionAsked) -> Done:
        """Note or correct something of a plate that has ended."""
        act = "note" if isinstance(what, NoteOnPlate) else "correct"
        return self._post(Done, f"/plates/{part(plate)}/{act}", what)

    def remake(self, plate: str) -> Remake:
        """How to make a plate again on what is there today."""
        return self._get(Remake, f"/plates/{part(plate)}/remake")

    def depth(self, plate: str, query: DepthQuery | None = None) -> DepthPredicted:
        """The depth to expect of a plate before its wash, and causes where it is another."""
        return self._get(DepthPredicted, f"/plates/{part(plate)}/depth", query)

    # --- recipes ---------------------------------------------------------------------------

    def recipes(self, *, every: bool = False) -> list[RecipeListed]:
        """Recipes by their present revision, or every revision."""
        return self._get(Recipes, "/recipes", every=every).recipes

    def recipe(self, which: str) -> RecipeWhole:
        """One revision with its content."""
        return self._get(RecipeWhole, f"/recipes/{part(which)}")

    def recipe_toml(self, which: str) -> str:
        """One revision as a file."""
        return self._request("GET", f"/recipes/{part(which)}/toml").text

    def recipe_diff(self, a: str, b: str) -> Diff:
        """What ``b`` does differently from ``a``."""
        return self._get(Diff, "/recipe-diff", a=a, b=b)

    def add_recipe(self, file: RecipeFile) -> Added:
        """Add a draft."""
        return self._post(Added, "/recipes", file)

    def approve_recipe(self, which: str, why: str) -> Revision:
        """Approve a draft."""
        path = f"/recipes/{part(which)}/approve"
        return self._post(Revision, path, request(Reasoned, why=why))

    def retire_recipe(self, which: str, why: str) -> Revision:
        """Retire a revision."""
        body = request(Reasoned, why=why)
        return self._post(Revision, f"/recipes/{part(which)}/retire", body)

    # --- records ---------------------------------------------------------------------------

    def runs(self, query: RunsQuery | None = None) -> Runs:
        """Runs, newest first."""
        return self._get(Runs, "/runs", query)

    def run(self, run_id: str) -> RunWhole:
        """One run."""
        return self._get(RunWhole, f"/runs/{part(run_id)}")

    def samples(self, run_id: str, query: SamplesQuery | None = None) -> Samples:
        """A run's samples, few enough to draw."""
        return self._get(Samples, f"/runs/{part(run_id)}/samples", query)

    # --- people ----------------------------------------------------------------------------

    def sign_in(self, name: str, secret: str) -> Session:
        """Sign in; the answer's token is used from then on."""
        body = request(SignIn, name=name, secret=secret)
        session = self._post(Session, "/sign-in", body)
        if not session.token:
            raise ClientError("the service gives no token to this program", "fault")
        self._headers = {"authorization": f"Bearer {session.token}"}
        self._http.headers.pop("platelink-local", None)
        self._http.headers.update(self._headers)
        return session

    def sign_out(self) -> SignedOut:
        """Sign out."""
        return self._post(SignedOut, "/sign-out")

    def me(self) -> Me:
        """Who the service takes us for."""
        return self._get(Me, "/me")

    def people(self) -> list[Person]:
        """Everybody."""
        return self._get(People, "/people").people

    def people_history(self, name: str | None = None, limit: int = 100) -> list[PersonNoted]:
        """The newest entries about somebody, or about everybody; oldest first."""
        return self._get(PeopleHistory, "/people-history", name=name, limit=limit).entries

    def add_first(self, name: str, secret: str, why: str = "") -> Person:
        """Enter the first lead; with the reason where the people entered before are lost."""
        body = request(FirstLead, name=name, secret=secret, why=why)
        return self._post(Person, "/people/first", body)

    def regain(self, name: str, secret: str, why: str) -> Person:
        """Give a lead a new secret, as the owner of the unit's files."""
        body = request(Regain, name=name, secret=secret, why=why)
        return self._post(Person, "/people/regain", body)

    def add_person(self, name: str, role: Role, secret: str) -> Person:
        """Add a person."""
        body = request(NewPerson, name=name, role=role, secret=secret)
        return self._post(Person, "/people", body)

    def at_person(self, name: str, act: str, body: Request) -> Person:
        """Another ``secret`` (``NewSecret``) or ``role`` (``NewRole``), or ``close``, ``open``,
        ``unlock`` (``Reasoned``)."""
        return self._post(Person, f"/people/{part(name)}/{act}", body)
