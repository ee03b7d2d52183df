"""The account of a week: figures from what was kept, beside the week before."""

import sys
from pathlib import Path

import pytest

from edge.core.units import PSI
from edge.model import Event, Tick
from edge.settings import Settings, load
from edge.store.read import Reader
from edge.store.write import Writer
from edge.week import WEEK_S, Account, account
from edge.work import Work
from web import create_app

T0 = 1_772_830_800.0  # 2026-03-06 21:00 UTC
BASELINE = {"sections": {"supply": {"baseline": {"loss_kpa_per_h": 1.0 * PSI}}}, "alerts": []}


def keep(
    folder: Path,
    settings: Settings,
    end: float,
    *,
    run_s: float,
    loss: float,
    pure: float,
    share: float = 1.0,
) -> None:
    """A week of six runs a day: readings each quarter-hour for a share of it, and their events."""
    writer = Writer(folder, settings, [])
    since = end - WEEK_S
    ticks = [
        Tick(since + 450.0 + 900.0 * i, 0.0, (300.0, 2.0, 0.0, 20.0, 200.0, -20.0))
        for i in range(int(WEEK_S * share / 900.0))
    ]
    events = []
    for i in range(42):
        at = since + 600.0 + i * 4 * 3600.0
        turned = {"pressure_kpa": 262.0, "inferred": False}
        rest = {"loss_at_reference_kpa_per_h": loss * (1.0 + 0.3 * (i % 3 - 1))}
        events += [
            Event(at, "cut_in", "On.", "supply", turned),
            Event(at + run_s, "cut_out", "Off.", "supply", turned),
            Event(at + run_s, "purity_measured", "Pure.", "supply", {"nitrogen_pct": pure}),
            Event(at + run_s + 9000.0, "idle_measured", "Rest.", "supply", rest),
        ]
    writer.keep(ticks, events, {})
    writer.close()


@pytest.fixture
def settings(saltmarsh: Path, tmp_path: Path) -> Settings:
    site = tmp_path / "site.toml"
    text = saltmarsh.read_text().replace(
        'name = "oxygen"\n', 'name = "oxygen"\ncalibrated = 2025-09-20\n'
    )
    site.write_text(text)
    return load(site)


def told(folder: Path, settings: Settings, picture: object = BASELINE) -> Account:
    with Reader(folder) as kept:
        return account(kept, settings, picture, T0)  # type: ignore[arg-type]


def test_a_worse_week_is_told_by_its_figures(tmp_path: Path, settings: Settings) -> None:
    """Runtime, starts, median loss and purity of both weeks are what was put in; what changed and
    what is due is said, with what to do about each standing alert once."""
    state = tmp_path / "state"
    keep(state, settings, T0 - WEEK_S, run_s=1200.0, loss=1.1 * PSI, pure=98.6)
    keep(state, settings, T0, run_s=2400.0, loss=2.2 * PSI, pure=97.9, share=0.75)
    writer = Writer(state, settings, [])
    raised = {"alert": "leak_growth", "priority": "soon", "cause": "leak", "evidence": {}}
    failed = {"verdict": "leaks", "method": "supply line"}
    writer.keep(
        [],
        [
            Event(T0 - 9000.0, "alert_raised", "It grew.", "supply", raised),
            Event(T0 - 8000.0, "hold_test_finished", "The hold test leaks.", "supply", failed),
        ],
        {},
    )
    writer.close()
    work = Work(settings).picture(0.0, T0)
    alert = {"alert": "leak_growth", "section": "supply", "todo": "Find the leak."}
    found = told(state, settings, {**BASELINE, "alerts": [alert, alert], "work": work})
    assert {row.label: (row.now, row.before) for row in found.rows} == {
        "Watched": ("75 % of the time", "100 % of the time"),
        "Generator ran": ("28 h", "14 h"),
        "Starts": ("42", "42"),
        "Loss": ("2.20 psi/h", "1.10 psi/h"),
        "Loss when commissioned": ("1.00 psi/h", ""),
        "Nitrogen": ("97.9 %", "98.6 %"),
        "Lowest nitrogen": ("97.9 %", "98.6 %"),
        # 310 gal, 42 runs of 40 or 20 min in what was watched, 1.5 kW, 0.17 a kWh, 0.40 an hour
        "This loss in a year": (
            "1540 m³ of nitrogen, 1956 h of the compressor, 2934 kWh, 1281 USD",
            "770 m³ of nitrogen, 732 h of the compressor, 1097 kWh, 479 USD",
        ),
        "Alerts": ("1", "0"),
    }
    assert found.alerts == ("Leak growth, supply",)
    assert found.tests == ("Fri 6 Mar: The hold test leaks.",)
    assert found.due == ("Calibration of oxygen is due on 2026-03-21.",)
    with Reader(state) as kept:
        assert kept.records.chain().head in found.records[0]
    assert found.changed == (
        "The loss is 2.2 times what it was when commissioned.",
        "The loss grew from 1.10 psi/h to 2.20 psi/h.",
        "The generator ran more: 28 h, after 14 h the week before.",
        "Nitrogen fell from 98.6 % to 97.9 %.",
        "The monitor saw only 75 % of the week.",
    )
    assert found.todo[:3] == (
        "Leak growth: Find the leak.",
        "Calibration of oxygen is due on 2026-03-21.",
        "The last hold test leaks: find the leak and test again.",
    )


def test_a_week_like_the_one_before_says_nothing(tmp_path: Path, saltmarsh: Path) -> None:
    """Small differences are no change; without a week before, none is claimed; an empty history
    is told as one."""
    settings, state = load(saltmarsh), tmp_path / "state"
    Writer(state, settings, []).close()
    empty = told(state, settings)
    assert empty.rows[0].now == "0 % of the time"
    assert empty.changed == ("The monitor saw only 0 % of the week.",)
    keep(state, settings, T0 - WEEK_S, run_s=1200.0, loss=1.10 * PSI, pure=98.6)
    keep(state, settings, T0, run_s=1250.0, loss=1.15 * PSI, pure=98.4)
    found = told(state, settings)
    assert found.changed == ("Nothing worth a word.",)
    assert found.todo == ("Nothing.",)
    assert (found.alerts, found.tests, found.due) == ((), (), ())


def test_a_generator_that_never_stopped_ran_all_week(tmp_path: Path, saltmarsh: Path) -> None:
    """A run that began before the week and has not ended is the whole week's runtime, though the
    week has no start."""
    settings, state = load(saltmarsh), tmp_path / "state"
    writer = Writer(state, settings, [])
    turn = {"pressure_kpa": 262.0, "inferred": False}
    writer.keep([], [Event(T0 - WEEK_S - 9000.0, "cut_in", "On.", "supply", turn)], {})
    writer.close()
    rows = {row.label: row.now for row in told(state, settings).rows}
    assert (rows["Generator ran"], rows["Starts"]) == ("7 days", "0")


@pytest.mark.parametrize(
    ("commissioned", "loss", "changed"),
    [
        (-0.05, 0.09, ["Nothing worth a word."]),
        (0.01, 0.09, ["Nothing worth a word."]),
        (0.01, 0.4, ["The loss is at least 4.0 times what it was when commissioned."]),
    ],
)
def test_a_tight_pipe_has_no_multiple_of_its_loss(
    tmp_path: Path, saltmarsh: Path, commissioned: float, loss: float, changed: list[str]
) -> None:
    """A commissioned loss that may be none is not what is compared with: noise of its size makes no
    "8.0 times", and growth is told beside the most that it may have been."""
    settings, state = load(saltmarsh), tmp_path / "state"
    keep(state, settings, T0 - WEEK_S, run_s=1200.0, loss=loss, pure=98.6)
    keep(state, settings, T0, run_s=1200.0, loss=loss, pure=98.6)
    baseline = {"loss_kpa_per_h": commissioned, "compared_kpa_per_h": 0.1}
    picture = {"sections": {"supply": {"baseline": baseline}}, "alerts": []}
    assert list(told(state, settings, picture).changed) == changed


def test_the_page_shows_the_week_and_the_description_of_messages(
    tmp_path: Path, settings: Settings
) -> None:
    """/week has the same words as the account, and says so where nothing was kept;
    /api/asyncapi.yaml is the document of the repository."""
    state = tmp_path / "state"
    keep(state, settings, T0, run_s=1200.0, loss=1.1 * PSI, pure=98.6)
    client = create_app(settings, state, state, clock=lambda: T0).test_client()
    page = client.get("/week").get_data(as_text=True)
    found = told(state, settings, {})
    for row in found.rows:
        assert f'<th scope="row">{row.label}</th><td>{row.now or "not measured"}</td>' in page
    assert f"<li>{found.changed[0]}</li>" in page
    assert "The monitor is not reporting now" in page
    document = client.get("/api/asyncapi.yaml")
    assert document.mimetype == "application/yaml"
    assert (
        document.data == (Path(sys.modules["edge"].__path__[0]) / "tell/asyncapi.yaml").read_bytes()
    )
    nowhere = create_app(settings, tmp_path / "none", state, clock=lambda: T0).test_client()
    assert "There is no history to tell of" in nowhere.get("/week").get_data(as_text=True)
