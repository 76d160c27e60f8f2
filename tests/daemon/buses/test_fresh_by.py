"""A register or field that must change from poll to poll, on its way from the settings to the engine."""

from daemon.buses.modbus_rtu import ModbusProbe
from daemon.buses.mqtt import MqttProbe
from daemon.check.load import load_settings
from daemon.settings.plan import rack_plan
from drivers.modbus import plan_reads
from drivers.mqtt_message import measure
from tests.daemon.settings.test_plan import DEMO, Numbers

TEMPERATURE = {"quantity": "temperature", "address": 0, "type": "float32"}


def test_a_register_is_asked_for_with_the_values_and_as_it_is():
    given = {"bus": "line", "unit_id": 1, "registers": [TEMPERATURE]}
    counted = ModbusProbe.model_validate({**given, "fresh_by": {"address": 2, "type": "uint32"}})
    *_, fresh = counted.asked()
    assert (fresh.quantity, fresh.address, fresh.type, fresh.scale) == ("fresh", 2, "uint32", 1.0)
    (read,) = plan_reads(counted.asked(), 0)
    assert read.count == 4, "one question for both"
    assert len(ModbusProbe.model_validate(given).asked()) == 1


def test_a_field_is_read_with_the_values_whatever_its_unit():
    given = {
        "bus": "air",
        "topic": "t",
        "format": "senml",
        "fields": [{"quantity": "temperature", "senml_name": "t"}],
    }
    probe = MqttProbe.model_validate({**given, "fresh_by": {"senml_name": "n"}})
    payload = b'[{"n": "t", "u": "Cel", "v": 15.5}, {"n": "n", "u": "count", "v": 812}]'
    found, errors = measure(probe.topic_read("k1"), payload, 1_760_000_000_000)
    assert not errors
    assert [(it.quantity, it.value) for it in found] == [("fresh", 812.0), ("temperature", 15.5)]


def test_the_plan_numbers_it_as_a_source_beside_the_quantities():
    settings, numbers = load_settings(DEMO), Numbers()
    name, probe = next((name, it) for name, it in settings.probes.items() if isinstance(it, ModbusProbe))
    place = {"address": 60, "type": "uint16"}
    counted = type(probe).model_validate({**probe.model_dump(exclude_unset=True), "fresh_by": place})
    plan = rack_plan(settings.model_copy(update={"probes": {**settings.probes, name: counted}}), numbers)
    assert plan.fresh == {name: numbers.given[name, "fresh", probe.vessel]}
    assert plan.fresh[name] not in {source.id for source in plan.sources}
    assert set(plan.source_ids()) == set(numbers.given.values())
