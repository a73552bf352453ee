"""Every detector put to one side, and the figures from which what it found counts."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

from sidekeep.cores import cores
from sidekeep.findings import (
    channels,
    clicks,
    clipping,
    cut_short,
    dropout,
    groove_noise,
    hum,
    image,
    inner_distortion,
    locked_groove,
    low_capture,
    pitch,
    rumble,
    skip,
    source_format,
    speed,
    tempo,
)
from sidekeep.findings.breaks import find_breaks
from sidekeep.findings.judgement import without_echoes
from sidekeep.findings.scene import Scene
from sidekeep.forked import Forked
from sidekeep.measurements import let_go_of
from sidekeep.model import Finding, Severity
from sidekeep.settings import choice, number, quantity

Look = Callable[[], Iterable[Finding]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What is called worth hearing, and what a failed transfer."""

    clipping_listen: float = number(
        "clipping listen", default=3, low=1, high=1e6, doc="clipped places worth hearing"
    )
    clipping_again: float = number(
        "clipping again", default=10, low=1, high=1e6, doc="clipped places that ask for a new take"
    )
    dead_channel_db: float = quantity(
        "dead channel",
        unit="dB",
        default=30.0,
        low=12.0,
        high=90.0,
        doc="how far a missing channel lies under the other, noise included",
    )
    weak_channel_db: float = quantity(
        "weak channel",
        unit="dB",
        default=7.0,
        low=6.0,
        high=40.0,
        doc="how far a weak channel lies under the other, noise included",
    )
    one_sided_noise_db: float = quantity(
        "one-sided noise",
        unit="dB",
        default=8.0,
        low=3.0,
        high=60.0,
        doc="how far one channel's groove noise lies above the other's",
    )
    cut_short_db: float = quantity(
        "cut short",
        unit="dB",
        default=15.0,
        low=6.0,
        high=60.0,
        doc="how far above the groove noise the edge of the recording is when music was cut",
    )
    locked_likeness: float = number(
        "locked groove likeness",
        default=0.45,
        low=0.3,
        high=0.95,
        doc="correlation of the fine structure from which a turn may count as played again",
    )
    locked_left_db: float = quantity(
        "locked groove residue",
        unit="dB",
        default=-5.0,
        low=-40.0,
        high=-3.0,
        doc="what may be left against the groove noise when the turn before is taken away",
    )
    low_capture_dbfs: float = quantity(
        "low capture",
        unit="dBFS",
        default=-30.0,
        low=-90.0,
        high=-6.0,
        doc="programme peaks below this were captured low",
    )
    low_capture_again_dbfs: float = quantity(
        "low capture again",
        unit="dBFS",
        default=-40.0,
        low=-90.0,
        high=-6.0,
        doc="programme peaks below this ask for another take",
    )
    low_capture_noise_dbfs: float = quantity(
        "low capture noise",
        unit="dBFS",
        default=-74.0,
        low=-120.0,
        high=0.0,
        doc="groove noise above this shows that low peaks are soft music, not a low capture",
    )
    antiphase: float = number(
        "antiphase",
        default=-0.14,
        low=-1.0,
        high=0.0,
        doc="correlation of the channels' bass below which the polarity is swapped",
    )
    mono_db: float = quantity(
        "mono",
        unit="dB",
        default=-18.0,
        low=-60.0,
        high=-10.0,
        doc="difference of the channels, against the channels, below which the programme is mono",
    )
    hum_db: float = quantity(
        "hum",
        unit="dB",
        default=3.5,
        low=-20.0,
        high=40.0,
        doc="hum against the groove noise from which it is worth hearing",
    )
    hum_dbfs: float = quantity(
        "hum level",
        unit="dBFS",
        default=-60.0,
        low=-100.0,
        high=0.0,
        doc="level the hum must have as well to be worth hearing",
    )
    rumble_db: float = quantity(
        "rumble",
        unit="dB",
        default=-35.0,
        low=-60.0,
        high=0.0,
        doc="rumble against the loud programme from which it is worth hearing",
    )
    rumble_dbfs: float = quantity(
        "rumble level",
        unit="dBFS",
        default=-43.0,
        low=-100.0,
        high=0.0,
        doc="level the rumble must have as well to be worth hearing",
    )
    thump_db: float = quantity(
        "thump",
        unit="dB",
        default=9.0,
        low=3.0,
        high=40.0,
        doc="how far a thump rises above what lies below 20 Hz elsewhere",
    )
    thump_dbfs: float = quantity(
        "smallest thump",
        unit="dBFS",
        default=-22.0,
        low=-60.0,
        high=0.0,
        doc="thumps with smaller peaks are left out",
    )
    groove_noise_db: float = quantity(
        "groove noise",
        unit="dB",
        default=-40.0,
        low=-80.0,
        high=0.0,
        doc="groove noise against the loud programme from which it is unusual",
    )
    groove_noise_dbfs: float = quantity(
        "groove noise level",
        unit="dBFS",
        default=-46.0,
        low=-100.0,
        high=0.0,
        doc="level the groove noise must have as well to be called unusual",
    )
    inner_distortion_percent: float = quantity(
        "inner distortion",
        unit="%",
        default=0.3,
        low=0.05,
        high=50.0,
        doc="part of the channels' difference above 8 kHz, in the last third, that follows the "
        "square of the treble",
    )
    source_format: str = choice(
        "source format",
        of=("note", "listen", "again"),
        default="note",
        doc="how a lossy origin or a raised sample rate is told",
    )
    raised_rate_db: float = quantity(
        "raised rate",
        unit="dB",
        default=14.0,
        low=6.0,
        high=60.0,
        doc="fall across the edge of a lower sample rate that tells a raised one",
    )
    speed_percent: float = quantity(
        "speed",
        unit="%",
        default=1.2,
        low=0.2,
        high=7.0,
        doc="deviation of the turntable's speed worth correcting",
    )
    wow_percent: float = quantity(
        "wow",
        unit="%",
        default=0.12,
        low=0.05,
        high=5.0,
        doc="peak deviation of pitch, once per revolution, worth hearing",
    )
    slip_percent: float = quantity(
        "slip",
        unit="%",
        default=1.5,
        low=0.5,
        high=10.0,
        doc="depth of a bend in pitch that is a slip of the platter",
    )
    step_percent: float = quantity(
        "lasting slip",
        unit="%",
        default=0.7,
        low=0.7,
        high=3.0,
        doc="change of pitch in the middle of the music that is a slip when it stays",
    )
    skip_listen: float = number(
        "skip",
        default=7,
        low=0,
        high=60,
        doc="natural logarithm of the odds that the music breaks, from which it is worth hearing",
    )
    skip_again: float = number(
        "skip again", default=25, low=0, high=60, doc="the same from which it asks for another take"
    )
    lost_listen: float = number(
        "lost samples",
        default=7,
        low=0,
        high=60,
        doc="such odds of a break after which the music goes on as it should have later",
    )
    lost_again: float = number(
        "lost samples again",
        default=25,
        low=0,
        high=60,
        doc="the same from which it asks for another take",
    )
    click_db: float = quantity(
        "click",
        unit="dB",
        default=15.0,
        low=6.0,
        high=40.0,
        doc="how far a click rises above the treble around it",
    )
    click_level_db: float = quantity(
        "click level",
        unit="dB",
        default=-31.0,
        low=-80.0,
        high=0.0,
        doc="least level of a click's edge, 0 dB being a jump of full scale",
    )
    clicks_per_minute: float = number(
        "clicks per minute",
        default=1200,
        low=1,
        high=1e6,
        doc="clicks a minute worth hearing; one twice as high as the least counts twice",
    )


def survey(scene: Scene, limits: Limits) -> tuple[Finding, ...]:
    """All that is found about one side; the findings carry no advice yet."""
    # These take as long as all the others.
    slow = (
        partial(
            locked_groove.find,
            scene,
            likeness=limits.locked_likeness,
            left_db=limits.locked_left_db,
        ),
        partial(clicks.find_scratch, scene),
    )
    if cores() == 1:
        found = _found(scene, (*_quick_looks(scene, limits), *slow))
    else:
        with Forked(partial(_found, scene, slow)) as others:
            found = (*_found(scene, _quick_looks(scene, limits)), *others.result())
    found = without_echoes(found)
    return (*found, *locked_groove.find_jumps_back(found))


def _found(scene: Scene, looks: tuple[Look, ...]) -> tuple[Finding, ...]:
    found: tuple[Finding, ...] = ()
    for look in looks:
        found += tuple(look())
        let_go_of(scene.seen)  # what one has read need not stay in memory for the next
    return found


def _quick_looks(scene: Scene, limits: Limits) -> tuple[Look, ...]:
    breaks = find_breaks(scene)
    return (
        partial(
            clipping.find,
            scene,
            listen_spots=limits.clipping_listen,
            again_spots=limits.clipping_again,
        ),
        partial(
            channels.find,
            scene,
            dead_db=limits.dead_channel_db,
            weak_db=limits.weak_channel_db,
            one_sided_db=limits.one_sided_noise_db,
        ),
        partial(cut_short.find, scene, above_noise_db=limits.cut_short_db),
        partial(dropout.find, scene, breaks, listen=limits.lost_listen, again=limits.lost_again),
        partial(
            low_capture.find,
            scene,
            listen_dbfs=limits.low_capture_dbfs,
            again_dbfs=limits.low_capture_again_dbfs,
            noise_dbfs=limits.low_capture_noise_dbfs,
        ),
        partial(hum.find, scene, listen_db=limits.hum_db, listen_dbfs=limits.hum_dbfs),
        partial(rumble.find, scene, listen_db=limits.rumble_db, listen_dbfs=limits.rumble_dbfs),
        partial(
            rumble.find_thumps,
            scene,
            stand_out_db=limits.thump_db,
            loudest_dbfs=limits.thump_dbfs,
        ),
        partial(
            groove_noise.find,
            scene,
            listen_db=limits.groove_noise_db,
            listen_dbfs=limits.groove_noise_dbfs,
        ),
        partial(inner_distortion.find, scene, listen_percent=limits.inner_distortion_percent),
        partial(
            source_format.find,
            scene,
            raised_db=limits.raised_rate_db,
            severity=Severity(limits.source_format),
        ),
        partial(speed.find, scene, listen_percent=limits.speed_percent),
        partial(image.find, scene, antiphase=limits.antiphase, mono_db=limits.mono_db),
        partial(tempo.find, scene),
        partial(skip.find, scene, breaks, listen=limits.skip_listen, again=limits.skip_again),
        partial(
            clicks.find,
            scene,
            stand_out_db=limits.click_db,
            level_db=limits.click_level_db,
            listen_per_minute=limits.clicks_per_minute,
        ),
        partial(
            pitch.find,
            scene,
            wow_percent=limits.wow_percent,
            slip_percent=limits.slip_percent,
            step_percent=limits.step_percent,
        ),
    )
