"""Kart files: what is read, what is written back, and how faults are told."""

from __future__ import annotations

import dataclasses
import os
from dataclasses import replace

import numpy as np
import pytest

from linelab.errors import FileFormatError, InputError, KartError
from linelab.files.kart_file import bundled_karts, copy_kart, load_kart, save_kart
from linelab.model.kart import Axles, Driver, Kart, PowerEngine, TorqueEngine
from linelab.units import KMH, RPM

GOOD = """
name = "Test kart"
mass_kg = 160
[tyres]
mu_lateral = 1.5
mu_longitudinal = 1.4
[simple_drive]
power_kw = 20.0
"""


def _write(tmp_path, text, name="kart.toml"):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def _assert_same(one, other):
    """Compare two karts field by field (dataclasses that hold arrays have no ==)."""
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if dataclasses.is_dataclass(a):
            assert type(a) is type(b)
            _assert_same(a, b)
        elif isinstance(a, (float, tuple, np.ndarray)):
            assert a == pytest.approx(b, rel=1e-11), field.name
        else:
            assert a == b, field.name


def test_four_generic_classes_are_bundled():
    assert list(bundled_karts()) == ["gearbox", "junior-single-speed", "rental-four-stroke", "senior-single-speed"]


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_bundled_values_lie_in_the_ranges_known_for_their_class(name):
    """CHECKS 31 (*memory*): grip 1.3-2.0, rental 1.0-1.3; single-speed 21-22 kW, 162 kg; rental 4-7 kW, 230-260 kg."""
    kart = load_kart(name)
    assert isinstance(kart.engine, TorqueEngine)
    peak = float((kart.engine.speed * kart.engine.torque).max())
    rental = name.startswith("rental")
    assert (1.0 if rental else 1.3) <= kart.mu_lateral <= (1.3 if rental else 2.0)
    if rental:
        assert 4e3 <= peak <= 7e3
        assert 230 <= kart.mass <= 260
    if name == "senior-single-speed":
        assert 21e3 <= peak <= 22e3
        assert kart.mass == 162.0


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_every_bundled_value_states_its_origin(name):
    for line in bundled_karts()[name].read_text().splitlines():
        key = line.split("=")[0].strip()
        if "=" in line and not line.startswith("#") and key not in ("name", "description", "crank_rpm", "torque_nm"):
            assert any(mark in line for mark in ("[memory", "[common", "[assumed", "[published")), line


def test_two_strokes_are_peaky_and_the_four_stroke_is_flat():
    def spread(name):
        engine = load_kart(name).engine
        return float(engine.torque.max() / engine.torque[:-1].min())

    assert spread("senior-single-speed") > 1.4 > 1.25 > spread("rental-four-stroke")


def test_units_are_converted():
    kart = load_kart("junior-single-speed")
    assert isinstance(kart.engine, TorqueEngine)
    assert kart.engine.rev_limit == pytest.approx(14000 * 2 * np.pi / 60)
    assert tuple(kart.engine.ratios) == (pytest.approx(78 / 12),)


def test_simple_drive(tmp_path):
    text = GOOD + "max_force_n = 700.0\ntop_speed_kmh = 108.0\n"
    engine = load_kart(_write(tmp_path, text)).engine
    assert isinstance(engine, PowerEngine)
    assert (engine.power, engine.max_force, engine.top_speed) == (20e3, 700.0, pytest.approx(30.0))


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_round_trip(tmp_path, name):
    kart = load_kart(name)
    path = tmp_path / "folder with spaces" / "kart.toml"
    save_kart(kart, path)
    again = load_kart(path)
    _assert_same(again, kart)
    text = path.read_bytes()
    save_kart(again, path)
    assert path.read_bytes() == text
    assert [p.name for p in path.parent.iterdir()] == ["kart.toml"]


def test_round_trip_of_every_optional_value(tmp_path):
    kart = Kart(
        name='Odd "name" \\ with\ttab, é and \x7f',
        description="line\nbreak",
        mass=150.5,
        engine=PowerEngine(power=12_345.678, max_force=650.0, top_speed=100 * KMH),
        mu_lateral=1.4,
        mu_longitudinal=1.3,
        four_wheel_brakes=True,
        driver=Driver(
            grip_share=0.9,
            braking_share=0.8,
            brake_build_rate=40.0,
            brake_release_rate=30.0,
            drive_build_rate=20.0,
            curvature_rate=0.8,
        ),
        axles=Axles(
            track_width_front=1.05,
            track_width_rear=1.2,
            front_roll_share=0.4,
            jacking=1500.0,
            load_sensitivity=0.08,
            front_tyre_load=300.0,
            rear_tyre_load=450.0,
            sliding_slip=0.12,
            max_steer=0.5,
        ),
    )
    save_kart(kart, tmp_path / "odd.toml")
    _assert_same(load_kart(tmp_path / "odd.toml"), kart)


def test_every_fault_is_told_at_once(tmp_path):
    text = """
name = "Bad"
mass_kg = -5
wheelbase_mm = 1050
[tyres]
mu_lateral = "1.5"
mu_longitudinal = 1.4
grip = 1
[engine]
crank_rpm = [1000, 2000]
torque_nm = [10, "x"]
rev_limit_rpm = 99999
tyre_circumference_m = 0.86
axle_sprocket_teeth = 80.5
engine_sprocket_teeth = 11
"""
    with pytest.raises(KartError) as caught:
        load_kart(_write(tmp_path, text))
    message = str(caught.value)
    assert "\n" not in message
    assert str(tmp_path / "kart.toml") in message
    for part in (
        "mass_kg: -5 kg is outside the allowed range 60 to 320 kg",
        "wheelbase_mm: unknown field, did you mean wheelbase_m?",
        "tyres.mu_lateral: '1.5' is not a number (allowed: 0.2 to 3)",
        "tyres.grip: unknown field",
        "engine.torque_nm entry 2: 'x' is not a number",
        "engine.rev_limit_rpm: 99999 rpm is outside the allowed range",
        "engine.axle_sprocket_teeth: 80.5 is not a whole number",
    ):
        assert part in message


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("mass_kg = 160", "mass_lb = 350"), "did you mean mass_kg"),
        (("mass_kg = 160", ""), "mass_kg: missing (allowed: 60 to 320 kg)"),
        (("mass_kg = 160", "mass_kg = 357"), "60 to 320 kg (357 lb would be 162 kg)"),
        (("mass_kg = 160", "mass_kg = 1620"), "60 to 320 kg (162 kg would be usual: is a digit wrong?)"),
        (("mass_kg = 160", "mass_kg = 16.2"), "60 to 320 kg (162 kg would be usual: is a digit wrong?)"),
        (("mass_kg = 160", "mass_kg = nan"), "nan is not a finite number"),
        (("mass_kg = 160", "mass_kg = true"), "True is not a number"),
        (("mass_kg = 160", "mass_kg = 160\nmu_lateral = 1.2"), "belongs in [tyres]"),
        (("[simple_drive]\npower_kw = 20.0", ""), "exactly one of these tables is needed, neither is given"),
        (('name = "Test kart"', 'name = ""'), "name"),
        (("[tyres]", "[tires]"), "did you mean tyres"),
        (("power_kw = 20.0", "power_kw = 20000"), "20000 kW is outside the allowed range 0.1 to 200 kW"),
    ],
)
def test_single_faults(tmp_path, change, expected):
    with pytest.raises(KartError) as caught:
        load_kart(_write(tmp_path, GOOD.replace(*change)))
    assert expected in str(caught.value)


ENGINE = """
name = "E"
mass_kg = 160
[tyres]
mu_lateral = 1.5
mu_longitudinal = 1.4
[engine]
crank_rpm = [5000, 9000]
torque_nm = [10.0, 15.0]
rev_limit_rpm = 10000
tyre_circumference_m = 0.86
overall_ratios = [9.0, 6.0]
"""


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("[5000, 9000]", "[9000, 5000]"), "5000 rpm does not follow 9000 rpm upwards"),
        (("[10.0, 15.0]", "[10.0, 15.0, 3.0]"), "has 3 values, but crank_rpm has 2"),
        (("[10.0, 15.0]", "[10.0, 0.0]"), "entry 2: 0.0 N·m is outside the allowed range 0.1 to 500 N·m"),
        (("overall_ratios = [9.0, 6.0]", ""), "needs axle_sprocket_teeth and engine_sprocket_teeth"),
        (("overall_ratios = [9.0, 6.0]", "overall_ratios = [6.0, 9.0]"), "must fall from the lowest gear"),
        (("[9.0, 6.0]", "[9.0]\naxle_sprocket_teeth = 80"), "not both"),
        (("[9.0, 6.0]", "[9.0]\nclutch_engagement_rpm = 11000"), "must be below rev_limit_rpm"),
    ],
)
def test_faults_between_fields(tmp_path, change, expected):
    with pytest.raises(KartError) as caught:
        load_kart(_write(tmp_path, ENGINE.replace(*change)))
    assert expected in str(caught.value)
    assert "kart.toml" in str(caught.value)


def test_syntax_errors_name_file_and_line(tmp_path):
    with pytest.raises(FileFormatError) as caught:
        load_kart(_write(tmp_path, 'name = "x"\nmass_kg = 160\nwheelbase_m 1.05\n'))
    assert caught.value.line == 3
    assert "kart.toml, line 3" in str(caught.value)


@pytest.mark.parametrize("content", [b"", b" \n", os.urandom(300), b"\0" * 50, b'name = "caf\xe9"\n', b"<gpx></gpx>"])
def test_other_files_are_refused_in_one_line(tmp_path, content):
    with pytest.raises(InputError) as caught:
        load_kart(_write(tmp_path, content))
    assert "\n" not in str(caught.value)


def test_windows_text_is_read(tmp_path):
    data = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    assert load_kart(_write(tmp_path, data)).mass == 160.0


def test_unknown_names_get_a_suggestion(tmp_path):
    with pytest.raises(InputError, match="Did you mean senior-single-speed"):
        load_kart("senior-singlespeed")
    with pytest.raises(InputError, match="folder"):
        load_kart(tmp_path)


def test_a_mass_in_pounds_is_refused_in_python_too():
    kart = load_kart("senior-single-speed")
    with pytest.raises(KartError, match=r"60 to 320 kg.*\(357 lb would be 162 kg\)"):
        dataclasses.replace(kart, mass=357.0)
    assert dataclasses.replace(kart, mass=61.0).mass == 61.0


@pytest.mark.parametrize("name", sorted(bundled_karts()))
def test_a_copy_keeps_the_comments(tmp_path, name):
    copy_kart(name, tmp_path / "my kart.toml")
    assert (tmp_path / "my kart.toml").read_bytes() == bundled_karts()[name].read_bytes()
    _assert_same(load_kart(tmp_path / "my kart.toml"), load_kart(name))


def test_a_faulty_file_is_not_copied(tmp_path):
    with pytest.raises(KartError):
        copy_kart(_write(tmp_path, GOOD + "speed = 3\n"), tmp_path / "copy.toml")
    assert not (tmp_path / "copy.toml").exists()


def test_a_failed_save_leaves_the_old_file(tmp_path, monkeypatch):
    path = _write(tmp_path, GOOD)

    def interrupted(*_args):
        raise KeyboardInterrupt

    monkeypatch.setattr("linelab.files.writing.os.replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        save_kart(load_kart("gearbox"), path)
    assert path.read_text() == GOOD
    assert [p.name for p in tmp_path.iterdir()] == ["kart.toml"]


def test_engagement_speed_survives_in_si():
    engine = load_kart("rental-four-stroke").engine
    assert isinstance(engine, TorqueEngine)
    assert engine.clutch_engagement == pytest.approx(2000 * RPM)


def test_a_decimal_comma_is_called_one(tmp_path):
    with pytest.raises(FileFormatError, match=r"line 3: .* Write decimals with a point, not a comma"):
        load_kart(_write(tmp_path, GOOD.replace("= 160", "= 160,5")))


def test_a_kart_in_json_is_not_called_a_track(tmp_path):
    with pytest.raises(InputError, match="a kart file is TOML, not JSON"):
        load_kart(_write(tmp_path, '{"mass_kg": 245}', "kart.json"))


@pytest.mark.parametrize("name", ["kart", "kart.geojson", "kart.txt"])
def test_a_kart_is_saved_under_a_name_it_is_read_back_by(tmp_path, name):
    for save in (lambda path: copy_kart("gearbox", path), lambda path: save_kart(load_kart("gearbox"), path)):
        with pytest.raises(InputError, match="a kart is saved as TOML, not as"):
            save(tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"mass": "245"}, "kart.mass: '245' is not a number"),
        ({"mass": None}, "kart.mass: None is not a number"),
        ({"engine": None}, "kart.engine: None is no PowerEngine or TorqueEngine"),
        ({"driver": 1.0}, "kart.driver: 1.0 is no Driver"),
        ({"mu_lateral": 0.0}, "kart.mu_lateral: 0.0 is outside the allowed range 0.2 to 3."),
        ({"mass": np.float32(20.0)}, "is outside the allowed range 60 to 320 kg"),
    ],
)
def test_a_kart_that_is_constructed_is_usable(change, words):
    with pytest.raises(KartError) as caught:
        dataclasses.replace(load_kart("gearbox"), **change)
    assert words in str(caught.value)


def test_axles_are_read_and_their_faults_named(tmp_path):
    plain = load_kart(_write(tmp_path, GOOD))
    assert plain.axles is None
    kart = load_kart(_write(tmp_path, GOOD + "[axles]\njacking_n_per_degree = 20.0\nmax_steer_degrees = 25\n"))
    assert kart.axles is not None
    assert kart.axles.jacking == pytest.approx(20.0 * 180.0 / np.pi)
    assert kart.axles.max_steer == pytest.approx(np.radians(25.0))
    rest = dataclasses.replace(kart.axles, jacking=Axles().jacking, max_steer=None)
    _assert_same(rest, Axles())
    with pytest.raises(KartError) as caught:
        load_kart(_write(tmp_path, GOOD + "[axles]\njackings = 20\nsliding_slip_degrees = 60\n"))
    said = str(caught.value)
    assert "axles.jackings: unknown field" in said
    assert "60 degrees is outside the allowed range 1 to 25 degrees" in said


def test_sprockets_and_gearbox_are_saved_and_can_be_changed(tmp_path):
    """Ratios by arithmetic: primary drive x gear x axle over engine sprocket."""
    kart = load_kart("gearbox")
    other = replace(kart.engine.ratios, axle_teeth=24, engine_teeth=18)
    changed = replace(kart, engine=replace(kart.engine, ratios=other))
    assert tuple(changed.engine.ratios) == pytest.approx(
        [3.8 * gear * 24 / 18 for gear in (2.538, 1.882, 1.555, 1.333, 1.174, 1.045)]
    )
    save_kart(changed, tmp_path / "kart.toml")
    text = (tmp_path / "kart.toml").read_text(encoding="utf-8")
    assert "axle_sprocket_teeth = 24\nengine_sprocket_teeth = 18\n" in text
    assert "primary_ratio = 3.8\n" in text
    assert "overall_ratios" not in text
    assert load_kart(tmp_path / "kart.toml") == changed != kart


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"axle_teeth": 76.5}, "76.5 is no whole number"),
        ({"engine_teeth": 2}, "outside the allowed range 5 to 200 teeth"),
        ({"gearbox_ratios": (1.0, 30.0)}, "entry 2"),
        ({"gearbox_ratios": (1.0, 1.5)}, "must fall from the lowest gear"),
        ({"gearbox_ratios": ()}, "needs one ratio or more"),
    ],
)
def test_gears_that_cannot_be_are_refused(change, said):
    engine = load_kart("senior-single-speed").engine
    with pytest.raises(KartError, match=said):
        replace(engine, ratios=replace(engine.ratios, **change))
