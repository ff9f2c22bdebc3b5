"""The metrics, read back by the reference parser of the format."""

from dataclasses import replace

import pytest
from page_rig import Rig, reading
from prometheus_client.parser import text_string_to_metric_families

from controller.signals import Measurements
from warmheap import metrics
from warmheap.mqtt import values
from warmheap.now import as_shown
from warmheap.page.show import Units

ENDS = ("celsius", "volts", "watts", "joules", "ratio", "seconds", "hertz", "kilograms_per_second", "info", "up", "active",
        "turns", "refused")  # fmt: skip


def families(now, age_s=1.0, **more):
    return {f.name: f for f in text_string_to_metric_families(metrics.text(now, age_s, **more))}


def test_the_reference_parser_reads_every_value_back(tmp_path):
    now = Rig(tmp_path).link.now
    found = families(now, refused={403: 2, 429: 1})
    assert found["warmheap_pile_core_celsius"].samples[0].value == now["readings"]["pile_core_c"] == 55.0
    assert found["warmheap_turns"].samples[0].value == 3.0 and found["warmheap_turns"].type == "counter"
    phase = found["warmheap_phase_info"].samples[0].labels
    assert phase == {"phase": now["phase"], "limit": now["limit"]}
    refused = {s.labels["status"]: s.value for s in found["warmheap_page_refused"].samples}
    assert refused == {"403": 2.0, "429": 1.0}
    assert all(f.documentation and f.type in ("gauge", "counter") for f in found.values())


def test_every_name_ends_in_a_base_unit(tmp_path):
    for name in families(
        Rig(tmp_path, measured=lambda n: reading(n, tank_c=10.0, fan_speed_hz=3.0)).link.now, refused={403: 1}
    ):
        assert name.startswith("warmheap_") and name.endswith(ENDS), name


def test_every_reading_has_a_metric_and_a_missing_one_no_line(tmp_path):
    fields = set(Measurements.__slots__) - {"time_s"}
    assert set(metrics._READINGS) == fields
    everything = families(
        Rig(tmp_path, measured=lambda n: reading(n, **{f: 0.5 for f in fields - {"pile_core_c"}})).link.now
    )
    (tmp_path / "b").mkdir()
    nothing = families(Rig(tmp_path / "b", measured=lambda n: Measurements(time_s=60.0 * n)).link.now)
    for name, _ in metrics._READINGS.values():
        assert f"warmheap_{name}" in everything and f"warmheap_{name}" not in nothing


def test_an_alarm_is_a_sample_and_odd_text_stays_inside_its_label(tmp_path):
    now = Rig(tmp_path).link.now
    now["alarms"] = [{"code": 'a"b\\c\nd', "severity": "critical"}]
    sample = families(now)["warmheap_alarm_active"].samples[0]
    assert sample.labels == {"code": 'a"b\\c\nd', "severity": "critical"} and sample.value == 1.0


@pytest.mark.parametrize(("age_s", "up"), [(1.0, 1.0), (89.0, 1.0), (91.0, 0.0), (float("inf"), 0.0)])
def test_old_news_is_not_up(tmp_path, age_s, up):
    found = families(Rig(tmp_path).link.now, age_s)
    assert found["warmheap_up"].samples[0].value == up
    assert families(None, age_s)["warmheap_up"].samples[0].value == 0.0


def test_a_flow_is_shown_as_the_bucket_corrected_it_and_kept_as_the_meter_read_it(tmp_path):
    rig = Rig(tmp_path)
    settings = replace(rig.desk.settings, flow_meter_gain=1.25)
    shown = as_shown(rig.tick, settings)
    assert shown.measurements.water_flow_kg_s == pytest.approx(1.25 * 0.06)
    assert rig.tick.measurements.water_flow_kg_s == 0.06
    rig.tick = shown
    rig.show()
    assert families(rig.link.now)["warmheap_water_flow_kilograms_per_second"].samples[0].value == pytest.approx(0.075)
    assert dict(values(rig.link.now))["reading/water_flow_kg_s"] == "0.075"
    assert Units().water(rig.link.now["readings"]["water_flow_kg_s"]) == "4.5 L/min"
