import numpy as np
import pyloudnorm
import pytest
import scipy.signal

from sidekeep.dsp.kweighting import k_weighting

# ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2.
SHELF_48K = [
    1.53512485958697,
    -2.69169618940638,
    1.19839281085285,
    1,
    -1.69065929318241,
    0.73248077421585,
]
HIGH_PASS_48K = [1.0, -2.0, 1.0, 1, -1.99004745483398, 0.99007225036621]


def test_equals_the_tables_of_bs1770_at_48_khz() -> None:
    np.testing.assert_allclose(k_weighting(48_000), [SHELF_48K, HIGH_PASS_48K], atol=1e-14)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_equals_pyloudnorm_deman(rate_hz: int) -> None:
    """Second implementation: pyloudnorm's "DeMan" filters, written with 12 digits."""
    meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
    stages = [np.concatenate((stage.b, stage.a)) for stage in meter._filters.values()]
    for ours in k_weighting(rate_hz):
        assert min(np.abs(ours - theirs).max() for theirs in stages) < 1e-9


@pytest.mark.parametrize(
    ("rate_hz", "gains_db"),
    # Computed from the prototypes, at 100 Hz, 997 Hz, 1 kHz and 10 kHz; not published.
    [
        (44_100, (-1.130, 0.694, 0.700, 4.046)),
        (48_000, (-1.134, 0.691, 0.698, 4.042)),
        (96_000, (-1.155, 0.674, 0.680, 4.020)),
    ],
)
def test_response(rate_hz: int, gains_db: tuple[float, ...]) -> None:
    hz = np.array([100, 997, 1000, 10_000])
    response = scipy.signal.sosfreqz(k_weighting(rate_hz), hz, fs=rate_hz)[1]
    np.testing.assert_allclose(20 * np.log10(np.abs(response)), gains_db, atol=0.0006)
