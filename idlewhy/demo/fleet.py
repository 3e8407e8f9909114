"""The demo fleet: the delivery cars of an invented bakery in an invented town, one story each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from idlewhy.demo.battery_model import BatteryMake
from idlewhy.demo.electric_loads import Loads, Starter
from idlewhy.demo.simulate import Park
from idlewhy.demo.trip import Leg, Trip, Value

_DIESEL = Starter(plateau_a=280.0, warm_s=0.36)
_LOADS = Loads()
_PETROL = Starter(plateau_a=170.0, warm_s=0.32)
_AGM = BatteryMake("agm", nominal_ah=70.0, capacity_ah=66.0, resistance_ohm=0.0034)
_EFB = BatteryMake("efb", nominal_ah=60.0, capacity_ah=56.0, resistance_ohm=0.0046)


@dataclass(frozen=True, slots=True)
class Story:
    """One vehicle: what is told of it, what it is, what it does, how its logger writes.

    title: the story in one sentence. start: first frame, ISO 8601 UTC. parts: log name -> what happens in that log.
    findings: codes that the analysis must give; may_find: codes that it may give as well.
    hidden: messages of the platform that the logger does not see. after: the vehicle that this one is, after a repair.
    Others: see `idlewhy.demo.simulate.Vehicle`.
    """

    id: str
    title: str
    start: str
    share: float
    parts: Mapping[str, tuple[Park | Trip, ...]]
    platform: str = "example-van"
    make: BatteryMake = _AGM
    loads: Loads = _LOADS
    starter: Starter = _DIESEL
    soc_shown: float | None = None
    values: Mapping[str, Value] = field(default_factory=dict)
    hidden: frozenset[str] = frozenset()
    findings: tuple[str, ...] = ()
    may_find: tuple[str, ...] = ()
    after: str = ""


def _round(events: Mapping[int, Leg] | None = None, stops: int = 12, warm_s: float = 8.0) -> Trip:
    """A delivery round through town: `stops` legs of about 100 s, the last one home. events: leg -> another leg."""
    speeds, times, stands = (38.0, 50.0, 30.0, 47.0), (62.0, 85.0, 54.0, 74.0, 68.0), (14.0, 24.0, 18.0, 31.0, 11.0)
    legs = [Leg(speeds[i % 4], times[i % 5], stands[i % 5]) for i in range(stops)]
    for at, leg in (events or {}).items():
        legs[at] = leg
    return Trip((*legs, Leg(24.0, 30.0, 1.2)), warm_s=warm_s)


def _hop(*stands: float) -> Trip:
    return Trip((*(Leg(34.0, 55.0, stand) for stand in stands), Leg(22.0, 15.0, 1.2)), warm_s=25.0)


def _hatch(number: int, title: str, share: float, air: float, log: str) -> Story:
    return Story(
        id=f"hatch-{number:02}",
        title=title,
        platform="example-hatch",
        start="2025-03-10T20:45:00Z",
        make=_EFB,
        share=share,
        parts={log: (Park(7.5, air), _round(stops=11))},
        loads=Loads(running=24.0, stopped=17.0, awake=3.0, asleep=0.016),
        starter=_PETROL,
        may_find=("cold_by_design",),
    )


SOC_BIAS = 0.4  # what every sensor adds to the true charge [%]
_UNBELTED = {"driver_belt_latched": False}
# All vehicles of the fleet, the one in order first.
STORIES = (
    Story(
        id="van-01",
        title="In order: idle-stop works, and the few refusals have everyday reasons.",
        start="2025-03-10T21:30:00Z",
        share=0.86,
        parts={
            "van-01.log": (
                Park(7.0, 9.0),
                _round(
                    {
                        3: Leg(35.0, 40.0, 1.1),
                        5: Leg(46.0, 90.0, 16.0, during={"steering_angle": 260.0}),
                        6: Leg(8.0, 4.0, 12.0),
                    },
                    stops=13,
                ),
            )
        },
    ),
    Story(
        id="van-02",
        title="Short trips: the hops are too short to fill the battery, and the charge stays too low for idle-stop.",
        start="2025-03-10T17:10:00Z",
        make=BatteryMake("agm", nominal_ah=70.0, capacity_ah=61.0, resistance_ohm=0.0039, acceptance=0.3),
        share=0.64,
        parts={
            "van-02-evening.log.gz": (
                *(_hop(20.0, 16.0, 25.0, 12.0), Park(0.5, 5.0), _hop(14.0, 30.0, 22.0), Park(9.0, 3.0)),
            ),
            "van-02-morning.log.gz": (
                *(_hop(18.0, 15.0, 24.0, 13.0), Park(0.5, 5.0), _hop(20.0, 12.0, 28.0), Park(1.0, 5.0)),
                _hop(16.0, 21.0),
            ),
        },
        loads=Loads(running=52.0, stopped=34.0),
        findings=("undercharge_short_trips",),
    ),
    Story(
        id="van-03",
        title="A drain at night: something stays awake, and by morning the charge is below the limit.",
        start="2025-03-10T19:05:00Z",
        share=0.735,
        parts={"van-03.blf": (Park(10.0, 8.0), _round(stops=12))},
        loads=Loads(asleep=0.255, wake_every_s=2400.0, wake_s=60.0, wake_a=5.5),
        findings=("parasitic_drain",),
    ),
    Story(
        id="van-04",
        title="A hood switch: the hood is reported open, every stop is refused, and the battery is fine.",
        start="2025-03-10T21:00:00Z",
        share=0.88,
        parts={"van-04.asc": (Park(6.2, 10.0), _round(stops=8))},
        values={"hood_open": True},
        findings=("single_blocker",),
    ),
    Story(
        id="van-05",
        title="A worn battery: full enough, but the crank it can still give is too weak to risk a stop.",
        start="2025-03-10T20:00:00Z",
        make=BatteryMake("agm", nominal_ah=70.0, capacity_ah=41.0, resistance_ohm=0.0074, acceptance=0.5),
        share=0.86,
        parts={"van-05.mf4": (Park(9.0, 11.0), _round(stops=12))},
        values={"battery_soh": 58.0},
        findings=("battery_resistance_high",),
        may_find=("capacity_low",),
    ),
    Story(
        id="van-06",
        title="A battery changed but not re-learned: the sensor still counts from its default, and forbids all stops.",
        start="2025-03-10T22:15:00Z",
        make=BatteryMake("agm", nominal_ah=70.0, capacity_ah=70.0, resistance_ohm=0.0031),
        share=0.93,
        parts={
            "van-06-night.log.gz": (Park(6.5, 9.0),),
            "van-06-round.log.gz": (_round({9: Leg(40.0, 70.0, 22.0, during=_UNBELTED)}, stops=12),),
        },
        soc_shown=92.0,
        values={"battery_sensor_reset": True, "battery_soc_plausible": False},
        findings=("sensor_reset_unlearned",),
    ),
    Story(
        id="van-07",
        title="A blind spot: the logger does not see the belts and the trailer, so two refusals stay open.",
        start="2025-03-10T21:30:00Z",
        share=0.87,
        parts={
            "van-07.blf": (
                Park(6.5, 12.0),
                _round(
                    {
                        4: Leg(42.0, 60.0, 19.0, during=_UNBELTED),
                        6: Leg(40.0, 70.0, 24.0, during={"driver_door_open": True, "defrost_on": True}),
                        7: Leg(40.0, 66.0, 30.0, later={"defrost_on": (15.0, True)}),
                        8: Leg(38.0, 70.0, 36.0, later={"brake_vacuum": (21.0, 34.0)}),
                        9: Leg(42.0, 66.0, 21.0, during=_UNBELTED),
                        10: Leg(30.0, 52.0, 205.0),
                    },
                    stops=12,
                ),
            )
        },
        hidden=frozenset({"Restraints", "Trailer"}),
    ),
    _hatch(1, "The sensor's line alone, and all in order.", 0.90, 12.0, "hatch-01.log"),
    _hatch(
        2,
        "The sensor's line alone, on a frosty day: a battery below the limit of 2 degC, and never a stop.",
        0.91,
        -4.0,
        "hatch-02.mf4",
    ),
    Story(
        id="van-04-after",
        title="The van with the hood switch, two days later and with a new switch: stops as it should.",
        start="2025-03-12T21:00:00Z",
        share=0.88,
        parts={"van-04-after.blf": (Park(6.2, 10.0), _round(stops=8))},
        after="van-04",
    ),
)
