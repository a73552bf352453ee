"""What to do about a finding, by its kind.

All of it is the trade's common practice; none of it has a published source.
"""

from __future__ import annotations

_WASH = "Clean and dry the record (no alcohol on shellac) before playing it again."
_STYLUS = "Clean around that spot, check tracking force and anti-skating."
_PLUGS = "Mute the loudspeakers, then check the plugs and the cartridge's four pins"

ADVICE = {
    "clipping": "Lower the gain until the loudest place stays 6 dB below full scale; where it ran flat "
    "lower than that, it is the preamplifier's gain.",
    "low capture": "Raise the gain; peaks between -12 and -6 dBFS leave room enough.",
    "dead channel": f"{_PLUGS}, and both inputs of the interface.",
    "weak channel": f"{_PLUGS}, and both input gains.",
    "one-sided noise": "Check the earth lead and the plugs, and the stylus for fluff; "
    "listen at low volume.",
    "swapped polarity": f"{_PLUGS}: the two wires of one channel are swapped.",
    "mono content": "A rule set that sums to mono lowers the noise.",
    "locked groove": _STYLUS,
    "skip": f"{_STYLUS} Do not walk about.",
    "dropout": "Close other programs on the recorder, enlarge its buffer, check the cable.",
    "cut short": "Start the recorder before the stylus goes down, stop it in the run-out.",
    "clicks": _WASH,
    "scratch": f"{_WASH} A scratch itself stays.",
    "hum": "Check the earth lead, keep mains leads away from the cartridge's, and never open "
    "equipment that is connected to the mains.",
    "rumble": "Put the turntable on something firm and level, away from the loudspeakers; a rule "
    "set with a rumble filter helps.",
    "thumps": "Do not walk about or touch the shelf while the record plays.",
    "groove noise": f"{_WASH} Check the stylus for fluff and wear.",
    "inner distortion": f"{_WASH} Check the stylus for wear; where the groove itself is worn, "
    "another copy or a stylus of another shape may sound better.",
    "source format": "Set the recorder to its full word length and rate; record from the record "
    "itself, never from a lossy copy.",
    "speed": "Check the turntable's speed with a strobe disc.",
    "slip": "Clean the platter, use a mat that does not slip, check the belt.",
    "unsteady music": "Nothing needs doing; what bends the pitch too is told as a slip.",
    "wow": "Centre the record on the spindle; see that it lies flat.",
}

#: Kinds whose notes count what any record has: ordinary wear and dust ask for nothing.
ORDINARY = frozenset({"clicks", "groove noise", "hum", "rumble"})
