"""Weather to offered power, against figures that others printed: a national laboratory's years and its PVWatts."""

import csv
import os
from pathlib import Path

import pytest

np = pytest.importorskip("numpy")
pd = pytest.importorskip("pandas")
pvlib = pytest.importorskip("pvlib")

from dumpload.simulate.weather import (  # noqa: E402
    COLUMNS,
    TYPICAL_YEARS,
    Panels,
    Place,
    Weather,
    WeatherError,
    offered_w,
    read_weather,
    typical_year,
)

# pvlib asks pandas for what a later pandas will not have; that is between the two of them.
pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning:pvlib", "ignore:.*dayofyear.*")

PVWATTS_YEAR = os.environ.get("PVWATTS_YEAR", "")


@pytest.mark.parametrize("name", TYPICAL_YEARS)
def test_a_typical_year_has_every_hour_and_its_noon_where_the_sun_is(name: str) -> None:
    weather, place = typical_year(name)
    assert len(weather.times) == 8760
    assert set(np.diff(weather.times)) == {3600.0}
    watts = offered_w(weather, place, [Panels(1000.0)])
    hours = (weather.times / 3600 + place.longitude_deg / 15) % 24  # by the sun
    assert np.average(hours, weights=watts) == pytest.approx(12.0, abs=0.5)


@pytest.mark.parametrize(("name", "level_kwh_m2"), [("greensboro", 1566.203), ("sand-point", 829.243)])
def test_the_irradiance_of_a_year_is_the_one_printed(name: str, level_kwh_m2: float) -> None:
    """The sum of the level irradiance that the file itself has (checks: read). Beam and diffuse give it within 2 %."""
    weather, place = typical_year(name)
    moments = pd.to_datetime(weather.times, unit="s", utc=True)
    sun = pvlib.solarposition.get_solarposition(moments, place.latitude_deg, place.longitude_deg)
    height = np.maximum(np.cos(np.radians(sun["apparent_zenith"].to_numpy())), 0)
    level = (weather.direct_w_m2 * height + weather.diffuse_w_m2).sum() / 1000
    assert level == pytest.approx(level_kwh_m2, rel=0.02)


@pytest.mark.parametrize("name", TYPICAL_YEARS)
def test_the_chain_is_the_one_that_pvlib_itself_puts_together_as_pvwatts(name: str) -> None:
    """`ModelChain.with_pvwatts` over the typical years of its wheel; losses of 14.0757 % (checks: calculated)."""
    weather, place = typical_year(name)
    location = pvlib.location.Location(place.latitude_deg, place.longitude_deg, "UTC", place.altitude_m)
    system = pvlib.pvsystem.PVSystem(
        surface_tilt=20.0, surface_azimuth=180.0, albedo=0.2, racking_model="open_rack", module_type="glass_polymer",
        module_parameters={"pdc0": 4000.0, "gamma_pdc": -0.0047}, inverter_parameters={"pdc0": 4000.0},
    )  # fmt: skip
    moments = pd.DatetimeIndex(pd.to_datetime(weather.times, unit="s", utc=True))
    height = np.cos(np.radians(location.get_solarposition(moments)["apparent_zenith"].to_numpy()))
    light = {"dni": weather.direct_w_m2, "dhi": weather.diffuse_w_m2}
    light["ghi"] = light["dni"] * np.maximum(height, 0.0) + light["dhi"]
    air = {"temp_air": weather.air_c, "wind_speed": weather.wind_m_s}
    chain = pvlib.modelchain.ModelChain.with_pvwatts(system, location)
    theirs = chain.run_model(pd.DataFrame(light | air, index=moments)).results.dc.fillna(0.0).to_numpy()
    ours = offered_w(weather, place, [Panels(4000.0, 20.0, 180.0)])
    assert ours.sum() == pytest.approx(theirs.sum(), rel=1e-3)
    assert np.abs(ours - theirs).max() < 0.02 * 4000.0  # at sunrise
    assert pvlib.pvsystem.pvwatts_losses() == pytest.approx(14.0757, abs=1e-4)


@pytest.mark.skipif(
    not PVWATTS_YEAR, reason="PVWATTS_YEAR names no pvwatts_8760_rackmount.csv of pvlib's source archive"
)
def test_the_chain_gives_what_pvwatts_gave() -> None:
    """4 kW, 20 degrees south, Denver: 6291.91 kWh in the year (PVWatts' own output; read). Within 1 %."""
    lines = Path(PVWATTS_YEAR).read_text("utf-8-sig").splitlines()
    head = next(number for number, line in enumerate(lines) if line.startswith("Month,"))
    rows = [row for row in csv.reader(lines[head + 1 :]) if row[0].isdigit()]
    direct, diffuse, air, wind, watts = np.array([[float(row[i]) for i in (3, 4, 5, 6, 9)] for row in rows]).T
    times = 1_546_327_800.0 + 3600.0 * np.arange(8760)  # 2019-01-01 00:30, seven hours behind UTC
    weather = Weather(times, direct, diffuse, air, wind)
    ours = offered_w(weather, Place(39.73, -105.18, 1819.6), [Panels(4000.0, 20.0, 180.0)])
    assert watts.sum() / 1000 == pytest.approx(6291.91, abs=0.01)
    assert ours.sum() == pytest.approx(watts.sum(), rel=0.01)
    months = np.array([int(row[0]) for row in rows])
    for month in range(1, 13):
        assert ours[months == month].sum() == pytest.approx(watts[months == month].sum(), rel=0.03)


def test_two_strings_give_the_sum_and_a_tilted_one_more_in_winter() -> None:
    weather, place = typical_year("greensboro")
    flat, tilted = Panels(700.0), Panels(700.0, 60.0, 180.0)
    flat_w, other = offered_w(weather, place, [flat]), offered_w(weather, place, [tilted])
    assert offered_w(weather, place, [flat, tilted]) == pytest.approx(flat_w + other)
    january = slice(0, 31 * 24)
    assert other[january].sum() > 1.3 * flat_w[january].sum()


HEAD = ",".join(COLUMNS) + "\n"
GOOD = "2025-06-16T12:00:00Z,800,100,20,3\n"


def test_weather_is_read_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "weather.csv"
    file.write_text(HEAD + GOOD + "2025-06-16T13:00:00+01:00,".replace("13", "14") + "700,90,21,2\n")
    weather = read_weather(file)
    assert list(weather.times) == [1750075200.0, 1750078800.0]
    assert list(weather.direct_w_m2) == [800.0, 700.0]


def test_weather_finer_than_a_minute_is_read_as_the_means_of_minutes(tmp_path: Path) -> None:
    file = tmp_path / "weather.csv"
    rows = [f"2025-06-16T12:0{n // 3}:{n % 3 * 20 + 10}Z,{100 * n},{n},20,3\n" for n in range(6)]
    file.write_text(HEAD + "".join(rows))
    weather = read_weather(file)
    assert (weather.times - 1750075200.0).tolist() == [30.0, 90.0]
    assert weather.direct_w_m2.tolist() == [100.0, 400.0]
    assert weather.diffuse_w_m2.tolist() == [1.0, 4.0]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "expected rows with the columns time, direct_w_m2"),
        ("time,air_c\n2025-06-16T12:00:00Z,3\n", "direct_w_m2 is not there"),
        (HEAD + "noon,800,100,20,3\n", "line 2: column time: 'noon': expected a time (RFC 3339)"),
        (HEAD + "2025-06-16T12:00:00Z,much,100,20,3\n", "line 2: column direct_w_m2: 'much': expected a number"),
        (
            HEAD + "2025-06-16T12:00:00Z,3600,100,20,3\n",
            "column direct_w_m2: '3600': expected a number from -20 to 1500",
        ),
        (HEAD + "2025-06-16T12:00:00Z,800,100,293,3\n", "column air_c: '293': expected a number from -60 to 60"),
        (HEAD + "1925-06-16T12:00:00Z,800,100,20,3\n", "expected a time (RFC 3339) from 1970 to 2200"),
        (HEAD + "2025-06-16T12:00:00Z,nan,100,20,3\n", "expected a number"),
        (HEAD + "2025-06-16T12:00:00Z,800\n", "line 2: column diffuse_w_m2"),
        (HEAD + GOOD + GOOD, "line 3: column time: expected later than the line before"),
    ],
)
def test_weather_that_cannot_be_used_says_which_cell(tmp_path: Path, text: str, expected: str) -> None:
    file = tmp_path / "weather.csv"
    file.write_text(text)
    with pytest.raises(WeatherError) as caught:
        read_weather(file)
    assert expected in str(caught.value)


def test_a_pipe_is_no_weather_and_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(WeatherError, match="expected a regular file, not a pipe"):
        read_weather(tmp_path / "pipe")


def test_a_file_that_is_not_there_and_a_year_that_is_none_are_errors(tmp_path: Path) -> None:
    with pytest.raises(WeatherError, match="expected a CSV file of weather"):
        read_weather(tmp_path / "none.csv")
    with pytest.raises(WeatherError, match="one of greensboro, sand-point, miami"):
        typical_year("atlantis")
