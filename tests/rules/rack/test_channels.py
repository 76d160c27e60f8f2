"""Which channels a rack has: worked by hand from what its probes measure."""

from rules.quantities import Quantity
from rules.rack.channels import Need, channels_of
from rules.rack.plan import Source, Supply
from rules.water.specific_conductance import Compensation
from tests.rigs.watched_rack import plan_of


def source(number, probe, quantity, vessel="k1", **more):
    return Source(number, probe, Quantity(quantity), vessel, 60_000, "bench", **more)


def channels(*sources):
    return {channel.name: channel for channel in channels_of(plan_of(sources, {}))}


def test_conductivity_beside_temperature_makes_salinity():
    found = channels(source(1, "ct", "temperature"), source(2, "ct", "conductivity"))
    assert list(found) == ["k1/temperature", "k1/conductivity", "k1/salinity"]
    assert found["k1/salinity"].inputs == ("k1/temperature",)
    assert found["k1/salinity"].source.id == 2
    assert [name for name, channel in found.items() if not channel.measured] == ["k1/salinity"]


def test_without_a_temperature_in_the_vessel_salinity_has_no_input_of_its_own():
    found = channels(source(1, "c", "conductivity"), source(2, "t", "temperature", "k2"))
    assert list(found) == ["k1/conductivity", "k2/temperature", "k1/salinity"]
    assert found["k1/salinity"].inputs == ()


def test_what_vessels_share_a_supply_of_may_stand_in():
    loop = Supply("loop", Quantity.TEMPERATURE, ("k1", "k2"))
    sources = (source(1, "c", "conductivity"), source(2, "t", "temperature", "k2"))
    (salinity,) = (it for it in channels_of(plan_of(sources, {}, supplies=(loop,))) if not it.measured)
    assert salinity.needs == (Need(Quantity.TEMPERATURE, (), ("k2/temperature",)),)


def test_a_probe_that_reports_salinity_itself_is_believed():
    found = channels(
        source(1, "ct", "temperature"), source(2, "ct", "conductivity"), source(3, "s", "salinity")
    )
    assert sum(channel.quantity is Quantity.SALINITY for channel in found.values()) == 1
    assert found["k1/salinity"].measured


def test_oxygen_becomes_saturation_where_temperature_and_salinity_are_known():
    found = channels(
        source(1, "ct", "temperature"),
        source(2, "ct", "conductivity"),
        source(3, "do", "oxygen"),
        source(4, "room", "air_pressure", "rack"),
    )
    assert found["k1/oxygen_saturation"].inputs == ("k1/temperature", "k1/salinity", "rack/air_pressure")
    names = list(found)
    assert all(names.index(used) < names.index(made) for made in found for used in found[made].inputs)


def test_oxygen_without_a_barometer_or_without_salinity():
    assert channels(
        source(1, "ct", "temperature"), source(2, "ct", "conductivity"), source(3, "do", "oxygen")
    )["k1/oxygen_saturation"].inputs == ("k1/temperature", "k1/salinity")
    alone = channels(source(3, "do", "oxygen"))
    assert list(alone) == ["k1/oxygen", "k1/oxygen_saturation"], "there is always some saturation"
    assert alone["k1/oxygen_saturation"].inputs == ()


def test_saturation_becomes_mg_per_litre_and_both_measured_make_nothing():
    base = (source(1, "ct", "temperature"), source(2, "ct", "conductivity"))
    assert not channels(*base, source(3, "do", "oxygen_saturation"))["k1/oxygen"].measured
    both = channels(*base, source(3, "do", "oxygen"), source(4, "do", "oxygen_saturation"))
    assert [name for name in both if "oxygen" in name] == ["k1/oxygen", "k1/oxygen_saturation"]


def test_redundant_probes_carry_their_names_and_compare_with_the_first():
    found = channels(
        source(1, "a", "temperature"), source(2, "b", "temperature"), source(3, "c", "temperature")
    )
    assert {name: channel.twin for name, channel in found.items()} == {
        "k1/temperature/a": "",
        "k1/temperature/b": "k1/temperature/a",
        "k1/temperature/c": "k1/temperature/a",
    }


def test_what_redundant_probes_lead_to_is_compared_too():
    found = channels(
        source(1, "a", "temperature"),
        source(2, "a", "conductivity"),
        source(3, "b", "conductivity"),
        source(4, "x", "oxygen"),
        source(5, "y", "oxygen"),
    )
    assert found["k1/salinity/b"].twin == "k1/salinity/a"
    assert found["k1/oxygen_saturation/y"].twin == "k1/oxygen_saturation/x"
    assert (found["k1/salinity/a"].twin, found["k1/oxygen_saturation/x"].twin) == ("", "")


def test_each_probe_uses_its_own_temperature_before_another_ones():
    found = channels(
        source(1, "a", "temperature"),
        source(2, "b", "temperature"),
        source(3, "a", "conductivity"),
        source(4, "b", "conductivity"),
    )
    assert found["k1/salinity/a"].inputs == ("k1/temperature/a",)
    assert found["k1/salinity/b"].inputs == ("k1/temperature/b",)


def test_a_conductivity_at_25_degrees_comes_after_the_temperature_that_undoes_it():
    found = channels(
        source(1, "c", "conductivity", compensation=Compensation.LINEAR, compensation_per_kelvin=0.02),
        source(2, "t", "temperature"),
    )
    assert list(found) == ["k1/temperature", "k1/conductivity", "k1/salinity"]
    assert found["k1/conductivity"].inputs == ("k1/temperature",)


def test_a_rack_without_probes_has_no_channels():
    assert channels_of(plan_of((), {})) == ()
