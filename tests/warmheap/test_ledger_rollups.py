"""Roll-ups, migration, growth, kills: the ledger as a record of a whole season."""

import csv
import sqlite3
import sys
from contextlib import closing
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import ControllerSettings
from warmheap import ledger_rollups
from warmheap.cli import main
from warmheap.ledger import Ledger, LedgerError, opened, rows, set_aside, tick_row
from warmheap.ledger_clerk import Clerk
from warmheap.ledger_schema import BOOKED, VERSION

sys.path.insert(0, str(Path(__file__).parent))
from made_season import BEGAN_S, READ, decision, hot_season, ticks  # noqa: E402

ROOT = Path(__file__).parents[2]
FLOWING = ({}, decision(pump=0.3))


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    path = tmp_path_factory.mktemp("season") / "ledger.sqlite"
    return path, hot_season(path, 1.0)


def table(path, name):
    return list(rows(path, name))


def test_every_period_sums_its_ticks(season):
    path, _ = season
    summed = {name: table(path, name) for name in ("ticks", "minutes", "hours", "days")}
    for column in BOOKED:
        whole, *periods = (sum(row[column] for row in found) for found in summed.values())
        assert periods == [pytest.approx(whole, rel=1e-9, abs=1e-6)] * 3, column
    with closing(opened(path)) as db:
        for row in summed["days"] + summed["hours"][:6] + summed["minutes"][600:660]:
            length_s = 86400.0 if row in summed["days"] else 3600.0 if row in summed["hours"] else 60.0
            assert ledger_rollups.worked_out(db, row["start_s"], length_s) == tuple(row.values())[1:]


def test_a_period_that_is_not_what_its_ticks_give_is_found(tmp_path):
    ticks(tmp_path / "l.sqlite", [FLOWING] * 130)
    with closing(sqlite3.connect(tmp_path / "l.sqlite")) as db:
        db.execute("UPDATE hours SET water_j = water_j + 1 WHERE start_s = (SELECT max(start_s) FROM hours)")
        assert ledger_rollups.differences(db) == [f"hour {BEGAN_S + 7200:.0f}"]


def test_hours_and_days_by_hand(tmp_path):
    ticks(tmp_path / "l.sqlite", [FLOWING] * 121)
    hours = table(tmp_path / "l.sqlite", "hours")
    assert [h["ticks"] for h in hours] == [60, 60, 1]
    assert [h["span_s"] for h in hours] == [3540.0, 3600.0, 60.0]  # the first tick stands for nothing yet
    assert hours[1]["water_j"] == pytest.approx(3600.0 * 0.06 * 4186.0 * 20.0)
    assert hours[1]["pump_s"] == pytest.approx(0.3 * 3600.0)
    (day,) = table(tmp_path / "l.sqlite", "days")
    assert day["water_j"] == pytest.approx(2.0 * 3600.0 * 0.06 * 4186.0 * 20.0)
    (limit,) = [r for r in table(tmp_path / "l.sqlite", "hour_limits") if r["start_s"] == BEGAN_S + 3600.0]
    assert (limit["limited_by"], limit["span_s"]) == ("flow", 3600.0)


def test_a_false_code_of_a_probe_is_no_extreme(tmp_path):
    wrong = ({"greenhouse_c": 85.0, "pump_battery_v": 0.0}, decision())
    ticks(tmp_path / "l.sqlite", [FLOWING, wrong, FLOWING])
    (day,) = table(tmp_path / "l.sqlite", "days")
    assert (day["greenhouse_c_max"], day["pump_battery_v_min"]) == (5.0, 12.6)
    assert [r["greenhouse_c"] for r in rows(tmp_path / "l.sqlite")][1] == 85.0  # the tick keeps what was read


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 5000), st.booleans()), min_size=1, max_size=15), st.randoms(use_true_random=False)
)
def test_rolling_up_in_any_pieces_and_twice_gives_the_same(tmp_path_factory, spans, chance):
    """Ticks come a span apart, the clock even jumps back; summing up happens in between or not."""
    folder = tmp_path_factory.mktemp("l")
    pieces, whole = Ledger(folder / "a.sqlite"), Ledger(folder / "b.sqlite")
    clerk, time_s = Clerk(), BEGAN_S
    from controller import Measurements
    from warmheap.loop import Tick

    for span_s, rolls in spans:
        time_s += span_s if chance.random() < 0.9 else -span_s
        found = clerk.tick(Tick(Measurements(time_s=time_s, **READ), decision(pump=0.3), 0.0, 0.0), time_s)
        pieces.write(found)
        whole.write(found)
        if rolls:
            pieces.roll_up(to_the_end=chance.random() < 0.3)
    for ledger in (pieces, whole, pieces):
        ledger.roll_up(to_the_end=True)
    pieces.close()
    whole.close()
    for name in ("minutes", "hours", "days", "hour_limits"):
        assert table(folder / "a.sqlite", name) == table(folder / "b.sqlite", name)
        assert name != "minutes" or table(folder / "a.sqlite", name)


def version_1(path):
    """A ledger as the first version wrote it."""
    old = "wall_s, time_s, pile_core_c, pile_edge_c, water_supply_c, water_return_c, water_flow_kg_s, air_supply_c, " \
          "air_supply_rh, fan_speed_hz, greenhouse_c, greenhouse_rh, outdoor_c, tank_c, pump_battery_v, fan_battery_v, " \
          "pile_o2, greenhouse_co2, pump_duty, fan_duty, phase, limited_by, core_c, core_sd_c, heat_made_w, " \
          "sustainable_w, stored_j, next_s, late_s"  # fmt: skip
    db = sqlite3.connect(path)
    db.executescript(f"""
    CREATE TABLE ticks (id INTEGER PRIMARY KEY, {old});
    CREATE TABLE alarms (id INTEGER PRIMARY KEY, wall_s, time_s, code, severity, begins INTEGER, seen, advice);
    CREATE TABLE events (id INTEGER PRIMARY KEY, wall_s, time_s, kind, text);
    INSERT INTO ticks (wall_s, time_s, pile_core_c, phase) VALUES (1767225600.0, 1767225600.0, 55.0, 'harvest');
    INSERT INTO alarms (wall_s, code, begins) VALUES (5.0, 'no-flow', 1);
    INSERT INTO events (wall_s, kind, text) VALUES (6.0, 'start', 'hello');
    PRAGMA user_version = 1;
    """)
    db.close()


def test_a_ledger_of_version_1_goes_on_with_all_its_rows(tmp_path, capsys):
    path = tmp_path / "l.sqlite"
    version_1(path)
    assert main(["report", str(path)]) == 2
    assert "is a ledger of version 1" in capsys.readouterr().err
    ticks(path, [FLOWING] * 10)
    with closing(opened(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == VERSION
    first, *rest = rows(path)
    assert (first["pile_core_c"], first["phase"], first["water_j"], first["span_s"]) == (55.0, "harvest", None, None)
    assert len(rest) == 10 and rest[-1]["water_j"] > 0.0
    assert [r["code"] for r in rows(path, "alarms")] == ["no-flow"]
    assert [r["text"] for r in rows(path, "events")] == ["hello"]
    assert main(["report", str(path), "--json"]) == 0
    assert '"older_ticks": 1' in capsys.readouterr().out


def test_a_ledger_of_version_2_goes_on_and_its_sums_stay_those_of_its_ticks(tmp_path):
    path = tmp_path / "l.sqlite"
    ticks(path, [FLOWING] * 130)
    with closing(sqlite3.connect(path)) as db, db:  # as version 2 wrote it: without what was given back
        for name in ("ticks", "minutes", "hours", "days"):
            db.execute(f"ALTER TABLE {name} DROP COLUMN back_j")
        db.execute("PRAGMA user_version = 2")
    assert main(["report", str(path)]) == 2
    back = ({"water_supply_c": 20.0, "water_return_c": 24.0}, decision(pump=0.3))
    ticks(path, [back] * 61, began_s=BEGAN_S + 4 * 3600.0)
    with closing(opened(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == VERSION
        assert ledger_rollups.differences(db) == []
    (day,) = table(path, "days")
    assert day["back_j"] == pytest.approx(3600.0 * 0.06 * 4186.0 * 4.0, rel=0.01)
    assert day["water_j"] == pytest.approx(129.0 * 60.0 * 0.06 * 4186.0 * 20.0 - day["back_j"])
    assert day["water_flow_kg_s_mean"] == pytest.approx(
        0.06
    )  # new columns came last, nothing moved into another's place


def test_a_migration_that_fails_leaves_version_1(tmp_path, monkeypatch):
    path = tmp_path / "l.sqlite"
    version_1(path)
    from warmheap import ledger_schema

    monkeypatch.setattr(ledger_schema, "SCHEMA", ledger_schema.SCHEMA + ";\nCREATE TABLE nonsense (")
    with pytest.raises(LedgerError):
        Ledger(path).write([])
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == 1
        assert "water_j" not in {r[1] for r in db.execute("PRAGMA table_info(ticks)")}


def test_a_ledger_of_a_later_version_is_kept_aside_unharmed(tmp_path):
    path = tmp_path / "l.sqlite"
    with closing(sqlite3.connect(path)) as db:
        db.execute("CREATE TABLE ticks (of_tomorrow)")
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    with pytest.raises(LedgerError, match=f"version {VERSION + 1}"):
        Ledger(path).write([])
    aside = set_aside(path)
    assert aside is not None and aside.exists() and not path.exists()


def test_minutes_go_with_their_ticks_hours_and_days_stay(tmp_path):
    path = tmp_path / "l.sqlite"
    ticks(path, [FLOWING] * 121)
    ledger = Ledger(path)
    ledger.prune(BEGAN_S + 3600.0)
    ledger.close()
    assert min(r["time_s"] for r in rows(path)) == BEGAN_S + 3600.0
    assert min(r["start_s"] for r in rows(path, "minutes")) >= BEGAN_S + 3540.0
    assert [h["ticks"] for h in rows(path, "hours")] == [60, 60, 1]


def test_a_season_grows_as_the_guide_says(season):
    """docs/ledger.md: about 1.2 MB a day."""
    path, _ = season
    assert 0.6e6 < path.stat().st_size < 1.6e6


def test_phases_limits_and_settings_are_noted_when_they_change(tmp_path):
    path = tmp_path / "l.sqlite"
    steps = [
        ({}, decision(phase="rest", limit="pile-floor")),
        FLOWING,
        FLOWING,
        ({}, decision(pump=0.3, limit="supply")),
    ]
    ticks(path, steps)
    found = [(r["kind"], r["was"], r["now"]) for r in rows(path, "changes")]
    assert found == [("phase", "", "rest"), ("limit", "", "pile-floor"), ("phase", "rest", "harvest"),
                     ("limit", "pile-floor", "flow"), ("limit", "flow", "supply")]  # fmt: skip


def test_a_changed_setting_is_noted_with_both_values():
    from controller import Controller

    clerk = Clerk()
    clerk.begins(Controller(ControllerSettings()), 1.0)
    changed, start = clerk.begins(Controller(ControllerSettings(pile_floor_c=47.0)), 2.0)
    assert changed[1][2:6] == ("setting", "pile_floor_c", "45.0", "47.0")
    assert '"pile_floor_c": 47.0' in start[1][4]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_an_export_holds_every_row_of_every_table(season, tmp_path, kind, capsys):
    path, _ = season
    assert main(["report", str(path), "--export", kind, "--out", str(tmp_path / "x")]) == 0
    for name in ("ticks", "minutes", "days", "changes", "starts", "hour_limits"):
        there = table(path, name)
        file = tmp_path / "x" / f"{name}.{kind}"
        if kind == "csv":
            with file.open(newline="") as stream:
                found = list(csv.DictReader(stream))
            assert found == [{k: "" if v is None else str(v) for k, v in r.items()} for r in there]
        else:
            import pyarrow.parquet as pq

            found = pq.read_table(file).to_pylist()
            assert found == [pytest.approx(r) if name in ("ticks", "minutes", "days") else r for r in there]
        assert len(found) == len(there) > 0
    assert not list((tmp_path / "x").glob("*.part"))


def test_an_export_without_pyarrow_says_what_to_install(season, tmp_path, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["report", str(season[0]), "--export", "parquet", "--out", str(tmp_path)]) == 2
    assert "pip install 'warmheap[parquet]'" in capsys.readouterr().err


def test_a_dozen_kills_leave_a_whole_ledger(tmp_path):
    """Two hundred are bench/ledger_kills.py's."""
    spec = spec_from_file_location("ledger_kills", ROOT / "bench" / "ledger_kills.py")
    bench = module_from_spec(spec)
    spec.loader.exec_module(bench)
    broken, most, wrong, written = bench.campaign(12, tmp_path, longest_s=0.4)
    assert (broken, wrong) == (0, 0)
    assert most <= 1
    assert written >= 24


def test_a_tick_row_without_heat_is_all_zeros(tmp_path):
    from controller import Measurements

    _, values = tick_row(1.0, Measurements(time_s=1.0), decision(), 0.0)
    assert values[-len(BOOKED) :] == (0,) * len(BOOKED)
