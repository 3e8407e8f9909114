"""Wording of findings about charging, drains, cables and the sensor's own state."""

from __future__ import annotations

from reports.wording import Wording, check, wording

# Limits: 13.5 V, 15.2 V, ripple 0.5 V: common practice, no source. 50 and 100 mA: published key-off drain articles.
# 0.2 V a cable, 0.5 V together: published cable-drop procedures. 18 mV/K: published charger setting pages.
_CABLES = check(
    "While a second person cranks, measure battery minus post to engine block, then plus post to the starter's stud.",
    "At most 0.2 V each and 0.5 V together; more: find the joint that takes the voltage and clean it.",
    10,
    "engine_restarts",
    "short_circuit",
)
REST_NIGHT = check(
    "Lock the vehicle with the hood closed and leave it undisturbed for 6 to 8 h, then read the sensor again.",
    "The flag is gone: it has learned. Still set: check the sensor's supply and the current drawn while parked.",
    5,
)

CHARGING: dict[str, Wording] = {
    "no_charging": wording(
        "The battery is not charged while the engine runs",
        "The voltage never rose to a charging level, and current left the battery while driving.",
        (
            check(
                "Engine at about 2000 rpm, lights on: measure the voltage at the battery posts and at the generator.",
                "Both below 13.5 V with the battery not full: generator, regulator or its command. More than 0.5 V "
                "apart: the cable or fuse between them.",
                5,
                "engine_restarts",
                "short_circuit",
            ),
            check(
                "Engine off: look at belt, tensioner, and the generator's plug and fuse.",
                "Slack, glazed, loose or blown: mend it and measure again.",
                5,
                "engine_restarts",
            ),
            check(
                "Read the voltage the generator is told to hold, and compare it with what it holds.",
                "Told more than 0.3 V above what it holds: the generator. Told low: find who asks for it, and why.",
                10,
            ),
        ),
        "Charging on demand holds 12.5 V at idle and in steady driving on purpose: look for more than 13.5 V while "
        "the vehicle slows down.",
    ),
    "overvoltage": wording(
        "The charging voltage is too high",
        "The voltage stayed above what the battery's temperature explains. It gasses and dries out.",
        (
            check(
                "Engine at about 2000 rpm, warm: measure the voltage at the battery posts.",
                "Above 15.2 V for more than 10 s with a warm battery: regulator, or the line it senses with.",
                5,
                "engine_restarts",
                "gas_and_acid",
            ),
            check(
                "Measure the ripple at the posts with an oscilloscope.",
                "Above 0.5 V peak to peak: the generator's rectifier.",
                10,
                "engine_restarts",
                "short_circuit",
            ),
        ),
        "A cold battery is rightly charged higher, by about 0.018 V a kelvin below 25 °C, and a refresh charge goes "
        "to 15 V.",
    ),
    "parasitic_drain": wording(
        "Too much current is drawn while parked",
        "Asleep, the vehicle draws more than is usual, or it wakes up again and again.",
        (
            check(
                "Put a clamp meter round the minus lead, lock the vehicle, hood latch closed by hand, and wait until "
                "it sleeps (up to 2 h).",
                "Above 100 mA is too much: go on with the fuses. Up to 50 mA is usual: the draw comes and goes, so "
                "record a night. Between: wait an hour, read again.",
                10,
                "engine_restarts",
            ),
            check(
                "Without pulling any, measure the millivolts across each fuse and turn them into current.",
                "The circuit that carries the excess leads to the consumer.",
                30,
                "short_circuit",
            ),
            check(
                "Record the bus after locking and list who still sends.",
                "A control unit that sends when all others are silent keeps the vehicle awake.",
                15,
            ),
        ),
        "The logger's own draw, a phone that is charging, a sleep that comes late, or a current sensor off its zero.",
    ),
    "current_offset": wording(
        "The current sensor is off its zero",
        "The counted charge drifts from what the rest voltage says, always in the same direction.",
        (
            check(
                "Vehicle asleep: zero a clamp meter, put it round the minus lead, and read both at the same moment.",
                "They differ by more than the clamp's own error: the sensor. They agree: the current is real.",
                10,
                "engine_restarts",
            ),
            check(
                "Look for a lead on the battery's minus post that goes past the sensor.",
                "Any such lead: move it to body ground.",
                5,
                "engine_restarts",
                "short_circuit",
            ),
        ),
        "A real draw of some 30 mA, or charge lost as gas near full.",
    ),
    "ground_contact": wording(
        "A clamp, cable or ground point takes voltage",
        "The battery's voltage and the one a control unit sees drift apart as the current grows.",
        (_CABLES,),
        "Two signals sampled at different instants, or scaled differently (then the ratio is constant, not the slope).",
    ),
    "sensor_reset_unlearned": wording(
        "The battery sensor was reset and has not learned the battery again",
        "Until it has, its state of charge is a default, and the vehicle refuses idle-stop as a precaution.",
        (
            check(
                "Look at the sensor's plug, fuse and the clamp it sits on.",
                "Loose or corroded: mend it, then let the sensor learn again. Sound: let it learn.",
                5,
                "engine_restarts",
                "short_circuit",
            ),
            REST_NIGHT,
        ),
        "A charge that is really low: measure the rest voltage at the posts.",
    ),
    "relearn_pending": wording(
        "The vehicle has not yet released idle-stop after work on the battery",
        "It waits until a flag or a charge that followed the work has run off. The battery itself needs nothing.",
        (
            check(
                "Start once by key with the hood closed, drive for 20 min, and switch off for a minute.",
                "Idle-stop returns: a jump-start or hood flag was pending.",
                25,
                "road_test",
            ),
            REST_NIGHT,
        ),
        "It is taken for a failed repair. Wait for a night of rest before changing more parts.",
    ),
    "stop_load_high": wording(
        "The vehicle draws too much current during a stop",
        "With the engine stopped the consumers pull the voltage down, and the system soon restarts the engine.",
        (
            check(
                "In a stop, switch consumers off one by one: fan, heated glass, seats, lights; watch the current.",
                "20 to 60 A is usual. The one whose switching brings it there is the one.",
                10,
                "engine_restarts",
                "road_test",
            ),
        ),
        "A weak battery sags as much at an ordinary current: compare the sag with the current.",
    ),
    "stabiliser_not_holding": wording(
        "The voltage stabiliser does not hold the supply during a restart",
        "The battery stays up, yet a control unit sees a low voltage while the starter turns.",
        (
            check(
                "Record the stabiliser's input and output together during a restart.",
                "Input above 9 V and output below 9 V: the stabiliser. Both low: its cable or the battery.",
                20,
                "engine_restarts",
                "second_store",
            ),
            _CABLES,
        ),
        "A bad ground at that control unit, or two signals sampled at different instants.",
    ),
}
