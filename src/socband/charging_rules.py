"""Rules of thumb about charging, as settings, and the safe checks that go with each source.

Everything here is common practice, no source: what technicians say, not what a standard says. Each
number is a setting; pass another `Rules` to `charging.charging`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

KINDS = ("shore", "vehicle", "solar")
COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Rules:
    """Common practice, no source, throughout.

    Attributes:
        bulk_per_h: current in bulk by source where the setup file describes none, as a share of the
            rated capacity an hour, and its relative standard deviation `bulk_spread`;
            `plate_spread` where the file gives a plain number.
        idle_probability: that a source idles above the true charge that the setup file states for
            it; else it works on until full.
        idle_spread: standard deviation of that threshold, 0..1.
        rests: probability by source that one of which the setup file says nothing rests near full:
            it has finished, and starts again only well below (assumed: chargers that hold a float
            instead, or begin anew each time they are switched on, are the rest).
        rests_above_soc: true charge above which it does then, and its standard deviation
            `rests_spread`.
        finished: probability that a source has finished, where the bank is as good as full.
        limit_v_per_cell: voltage at which the current tapers, and its standard deviation
            `limit_spread_v_per_cell` where the setup file does not say: chargers hold four cells
            at 14.0 to 14.6 V, some lower.
        misset: probability that it holds another voltage than it should.
        meter_v_per_cell: standard deviation of a voltage that was read, leads included.
        unsettled_v_per_cell: the same of what has not settled since the current last changed.
        panel_sun_v: open-circuit voltage of a panel for a four-cell bank in full sun, and more.
        panel_spread_v: how far above it such panels reach.
        alternator_v_per_cell: voltage at a running vehicle's own battery, over the bank's cells.
        fuse_alike_v: difference that still counts as alike.
        loads_a, loads_per_h: standard deviation of what loads left on, and a display's own error,
            make of the current: the smaller of the two [A; share of the rated capacity an hour].
        anyhow_per_h: width over which a current that no state of the installation explains may lie
            [share of the rated capacity an hour].
        cold_current_a, cold_current_per_h: more than the smaller of these [A; share of the rated
            capacity an hour] measured into a bank too cold to be charged is an alarm (assumed:
            clear of a meter's zero).
        wake_hours: to wake one battery after low-voltage disconnect on a shore charger, loads off;
            more in parallel take longer, by `whatif.times_as_long`.
        beside: probability that the true charge is none that the display and the setup's doubts
            allow (assumed).
        prior: what is wrong before any reading; "sound" is nothing, "held" a battery that refuses
            charge of a sound source.
    """

    bulk_per_h: dict[str, float] = field(
        default_factory=lambda: {"shore": 0.15, "vehicle": 0.125, "solar": 0.06}
    )
    bulk_spread: float = 0.4
    plate_spread: float = 0.08
    idle_probability: float = 0.9
    idle_spread: float = 0.03
    rests: dict[str, float] = field(
        default_factory=lambda: {"shore": 0.8, "vehicle": 0.9, "solar": 0.9}
    )
    rests_above_soc: float = 0.90
    rests_spread: float = 0.04
    finished: float = 0.5
    limit_v_per_cell: float = 3.55
    limit_spread_v_per_cell: float = 0.05
    misset: float = 0.05
    meter_v_per_cell: float = 0.0125
    unsettled_v_per_cell: float = 0.01
    panel_sun_v: float = 18.0
    panel_spread_v: float = 3.0
    alternator_v_per_cell: float = 3.4
    fuse_alike_v: float = 0.1
    loads_a: float = 1.0
    loads_per_h: float = 0.005
    anyhow_per_h: float = 0.15
    cold_current_a: float = 2.0
    cold_current_per_h: float = 0.02
    wake_hours: tuple[float, float] = (1.0, 2.0)
    beside: float = 0.015
    prior: dict[str, float] = field(
        default_factory=lambda: {
            "sound": 0.7285,
            "no_supply": 0.10,
            "open_path": 0.08,
            "dead_charger": 0.06,
            "asleep": 0.03,
            "held": 0.0015,
        }
    )

    def loads_std_a(self, rated_capacity_ah: float) -> float:
        """What loads left on make of the current of such a bank, one standard deviation [A]."""
        return min(self.loads_a, self.loads_per_h * rated_capacity_ah)


DEFAULT_RULES = Rules()


@dataclass(frozen=True)
class Check:
    """One safe check.

    Attributes:
        do: what to do.
        expect: what a sound installation shows.
        otherwise: what the other reading would mean.
        reading: how to enter the result, "" if it is a look only.
        once: its readings answer it; False where it asks for the same reading later, and changed.
    """

    do: str
    expect: str
    otherwise: str
    reading: str = ""
    once: bool = True

    def answered(self, given: Collection[str]) -> bool:
        """Are all the readings that it asks for among the names given?"""
        names = [word.removesuffix("=") for word in self.reading.split()]
        return self.once and bool(names) and all(name in given for name in names)


def resting_check(kind: str, rested_below: float, used_ah: float) -> Check:
    """What tells a source that only rests from a broken one: it starts again by itself.

    Args:
        kind: of `KINDS`.
        rested_below: true charge, well below that above which it rests, 0..1.
        used_ah: from full down to there [Ah].
    """
    on = {
        "shore": "With the charger left on",
        "vehicle": "With the engine running",
        "solar": "In full sun",
    }[kind]
    return Check(
        f"{on}, use the bank down to about {100.0 * rested_below:.0f} %, {used_ah:.0f} Ah from "
        "full, then switch off the loads you can do without and read the current again.",
        f"it has started by itself: it had finished and only rested ({COMMON_PRACTICE})",
        "nothing flows so far below full: more likely a fault. Read the charge on the display too",
        "amps= display_soc=",
        once=False,
    )


HOT_C = 45.0  # above this most makers of LFP cells allow no charging (common practice, no source)


def too_hot(temperature_c: float) -> str:
    """What must be done at once with a bank so hot; "" where nothing must."""
    if not temperature_c > HOT_C:
        return ""
    return (
        f"ALARM: the bank is at {round(temperature_c)} °C. Above {HOT_C:g} °C most makers allow no "
        "charging (common practice, no source), and a battery may refuse it by itself: missing "
        "current is then no fault, and is not weighed as that here. Stop charging until it has "
        "cooled. A battery that is hot by itself: switch off, keep away, call for help."
    )


def checks(kind: str, rules: Rules, cells_in_series: int, charge_min_c: float) -> list[Check]:
    """Safe checks for one source, in the order to do them; none opens a cover or touches mains.

    Args:
        kind: of `KINDS`.
        rules: see there.
        cells_in_series: of the bank.
        charge_min_c: coldest temperature at which the cells may be charged [°C].
    """
    alternator_v = rules.alternator_v_per_cell * cells_in_series
    limit_v = rules.limit_v_per_cell * cells_in_series
    first = [
        Check(
            "Read the temperature of the battery itself, not of the room.",
            f"above {charge_min_c:g} °C by a few degrees",
            "colder: the battery refuses charge to protect itself, which is no fault. Warm the "
            "room; never force a charge. If current flows all the same, stop charging now",
            "temperature=",
        ),
        Check(
            "Switch off the loads you can do without and read the current on the display.",
            "the current moves by what the loads took",
            "it now shows charging: the source works, and the loads had eaten all of it",
            "amps=",
        ),
    ]
    fuse = Check(
        "Measure the voltage on both sides of the source's own DC fuse, one probe on the common "
        "negative.",
        f"the same on both sides, within {rules.fuse_alike_v:g} V ({COMMON_PRACTICE})",
        "different: the fuse or its holder is open. Find out why it blew before replacing it, by "
        "the same type and rating only",
        "fuse_in= fuse_out=",
    )
    rise = Check(
        "Read the bank voltage with the source on, then off.",
        f"it rises while charging, towards {limit_v:.1f} V near full, and settles after",
        "no change, and the fuse is sound: nothing comes out of the charger",
        "volts=",
    )
    middle = {
        "shore": [
            Check(
                "See whether something else on the same shore connection works, and whether the "
                "charger shows any sign of life.",
                "both do",
                "neither: no shore power arrives. Look at the supply post's own breaker; go no "
                "further into the mains side",
            ),
            fuse,
            rise,
        ],
        "vehicle": [
            Check(
                "With the engine running, measure at the vehicle's own battery.",
                f"{alternator_v:.1f} V or more ({COMMON_PRACTICE})",
                "less: the alternator is not charging, or holds back by design; that is the "
                "vehicle's matter, not the bank's",
            ),
            fuse,
            rise,
        ],
        "solar": [
            Check(
                "Look at the sky and at the panel: full sun, no shade, no dirt, no snow?",
                "full sun on all cells",
                "shade on one corner can take most of the current: no fault",
            ),
            Check(
                "Cover the panel, unplug it, uncover it, and measure the open-circuit voltage at "
                "its plug. Never unplug it under load: DC arcs do not go out.",
                f"{rules.panel_sun_v:g} V or more in full sun, on a panel for a four-cell bank "
                f"({COMMON_PRACTICE}); series strings give a multiple and may be dangerous to "
                "touch above 60 V",
                "much less in full sun: panel, cable or plug are at fault",
                "panel_volts=",
            ),
            fuse,
            rise,
        ],
    }
    return first + middle[kind]


STOP = {
    "shore": "STOP HERE and call a licensed technician if the cause is not found: what follows is "
    "mains wiring, the inside of the charger, and the main battery fuse and busbars with fault "
    "currents of thousands of amperes.",
    "vehicle": "STOP HERE and call a licensed technician if the cause is not found: what follows "
    "is alternator wiring and the main battery fuse and busbars with fault currents of thousands "
    "of amperes.",
    "solar": "STOP HERE and call a licensed technician if the cause is not found: what follows is "
    "roof wiring under voltage in any daylight, and the main battery fuse and busbars with fault "
    "currents of thousands of amperes.",
}
