"""Wording of findings about everything but the battery: engine, starter, comfort, driver, rules."""

from __future__ import annotations

from reports.wording import Wording, check, wording

# Starter current by engine: training sheets on starter draw, averages while cranking warm.
# Brake release to running in about 0.4 s: common practice, no source.
VEHICLE: dict[str, Wording] = {
    "cold_by_design": wording(
        "Idle-stop is refused while battery or engine is cold, as designed",
        "Below its limits of temperature the vehicle keeps the engine running. That is no fault.",
        (
            check(
                "Repeat the drive with the engine warm and the battery above 10 °C.",
                "Idle-stop works: in order. Still refused as cold: compare the temperature shown with a "
                "thermometer after a night's rest.",
                10,
                "road_test",
            ),
        ),
        "A temperature sensor that is stuck low.",
    ),
    "heat_by_design": wording(
        "Idle-stop is refused while battery or engine is hot, as designed",
        "Above its limit of temperature the engine is kept running to cool or to protect the battery.",
        (
            check(
                "Look at air flow, fan, and the cover of the battery.",
                "Cover missing, fan not turning, radiator blocked: mend that first.",
                5,
                "engine_restarts",
            ),
            check(
                "Compare the temperature shown with a thermometer at the place.",
                "More than 5 K apart: the temperature sensor.",
                5,
            ),
        ),
        "A temperature sensor with a short circuit reads hot.",
    ),
    "comfort_load": wording(
        "The climate control keeps the engine running",
        "Cabin heating or cooling asks for the engine, and nothing else stands in the way.",
        (
            check(
                "Repeat the drive with climate control and defrost off and the blower low.",
                "Idle-stop works: the cause is comfort, no fault. Still refused: look at the next reason.",
                15,
                "road_test",
            ),
        ),
        "A restart that the battery forces at the same moment.",
    ),
    "single_blocker": wording(
        "One condition outside the battery refuses idle-stop",
        "All of the battery's conditions are met; one other stands in the way at refusal after refusal.",
        (
            check(
                "Watch the refusing signal live and work its switch, pedal or latch by hand.",
                "It does not follow, or flickers when the wire is moved: switch, plug or wire. It follows: ask how "
                "the vehicle was driven when the log was made.",
                10,
                "engine_restarts",
            ),
            check(
                "Repeat the drive with hood and doors shut, belt on, wheel straight, idle-stop switched on.",
                "Refused in the same way: mend that signal. Not refused: it was the situation.",
                20,
                "road_test",
            ),
        ),
        "A test drive made with the hood unlatched, a door ajar or the belt off.",
    ),
    "starter_drag": wording(
        "The starter turns too slowly for the current it draws",
        "High current and low speed together: engine or starter turn heavily; the low voltage follows from that.",
        (
            check(
                "Measure the starter's current with a clamp probe on a warm engine.",
                "Usual averages: four cylinders 100 to 200 A, six 125 to 250 A, diesel 400 A and more. High and slow: "
                "starter or engine. Low and slow: cable or battery.",
                10,
                "engine_restarts",
                "short_circuit",
            ),
            check(
                "Check the oil's grade against the season, and whether the engine turns freely.",
                "Wrong oil or a heavy engine: mend that before the starter.",
                15,
                "engine_restarts",
            ),
        ),
        "The battery is blamed for the low voltage: look at its resistance first.",
    ),
    "slow_restart_not_electrical": wording(
        "Restarts are slow, but not for want of voltage",
        "Current and voltage are normal while the engine takes long to run: fuel, ignition or synchronisation.",
        (
            check(
                "Read the fault memory and record engine speed during a warm restart.",
                "Speed rises at once, then hangs: fuel pressure or crankshaft sensor. About 0.4 s is usual.",
                15,
                "engine_restarts",
            ),
        ),
        "A log with a sample every 0.1 s or slower cannot time a restart well.",
    ),
    "rules_do_not_fit": wording(
        "The platform's idle-stop rules do not fit this vehicle",
        "Stops happened against the rules, or were refused with every rule met. The rule file is wrong or incomplete.",
        (
            check(
                "Compare the thresholds in platform.toml with the values in the table of standstills.",
                "A stop beyond a threshold, or a refusal within all of them: correct the rule, with its source.",
                10,
            ),
        ),
        "A signal decoded with a wrong scale or sign also breaks the rules: check its values first.",
    ),
}
