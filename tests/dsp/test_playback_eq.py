import numpy as np
import pytest

from sidekeep.dsp.playback_eq import TIME_CONSTANTS_US, curve, playback_sections, response

# dB against 1 kHz, computed from the time constants of IEC 60098 and its amendment of 1976
# (3180, 318, 75 us; 7950 us): frequency, RIAA, RIAA with the amendment.
TABLE_DB = np.array(
    [
        (20, 19.274, 16.261), (25, 18.954, 16.804), (31.5, 18.478, 17.006), (40, 17.792, 16.823),
        (50, 16.946, 16.302), (63, 15.852, 15.436), (80, 14.506, 14.244), (100, 13.088, 12.920),
        (125, 11.563, 11.454), (160, 9.809, 9.743), (200, 8.219, 8.178), (250, 6.677, 6.651),
        (315, 5.179, 5.163), (400, 3.784, 3.775), (500, 2.648, 2.642), (630, 1.642, 1.639),
        (800, 0.751, 0.750), (1000, 0.0, 0.0), (1250, -0.744, -0.743), (1600, -1.643, -1.642),
        (2000, -2.589, -2.587), (2122, -2.866, -2.865), (2500, -3.700, -3.699),
        (3150, -5.038, -5.036), (4000, -6.605, -6.604), (5000, -8.210, -8.208),
        (6300, -9.980, -9.979), (8000, -11.894, -11.892), (10000, -13.734, -13.733),
        (12500, -15.609, -15.607), (16000, -17.708, -17.706), (20000, -19.620, -19.619),
    ]
)  # fmt: skip
RATES_HZ = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)


def filtered_db(name: str, hz: np.ndarray, rate_hz: int) -> np.ndarray:
    return 20 * np.log10(np.abs(response(playback_sections(name, rate_hz), hz, rate_hz)))


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize(("name", "column"), [("riaa", 1), ("iec", 2)])
def test_equals_the_table_up_to_20_khz(name: str, column: int, rate_hz: int) -> None:
    found = filtered_db(name, TABLE_DB[:, 0], rate_hz)
    tolerance_db = 0.05 if rate_hz < 88_200 else 0.002
    np.testing.assert_allclose(found, TABLE_DB[:, column], atol=tolerance_db)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("name", TIME_CONSTANTS_US)
def test_equals_the_analogue_curve_between_the_frequencies_of_the_table(
    name: str, rate_hz: int
) -> None:
    hz = np.geomspace(10, 20_000, 400)
    wanted = 20 * np.log10(np.abs(curve(name, hz) / curve(name, np.array([1000.0]))))
    np.testing.assert_allclose(filtered_db(name, hz, rate_hz), wanted, atol=0.05)


def test_coarse_groove_curve() -> None:
    """Closed form at its corners: 3180, 450 and 50 us are 50.05, 353.7 and 3183 Hz."""
    at_1k = 20 * np.log10(np.abs(curve("coarse", np.array([1000.0]))))
    below, above = filtered_db("coarse", np.array([1.0, 20_000.0]), 96_000)
    assert below == pytest.approx(-at_1k[0], abs=0.01)
    assert above == pytest.approx(20 * np.log10(450 / 3180 * 3183.1 / 20_000) - at_1k[0], abs=0.12)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("name", TIME_CONSTANTS_US)
def test_filter_is_stable_and_of_minimum_phase(name: str, rate_hz: int) -> None:
    for section in playback_sections(name, rate_hz):
        assert (np.abs(np.roots(section[3:])) < 1).all()
        assert (np.abs(np.roots(section[:3])) <= 1 + 1e-12).all()
