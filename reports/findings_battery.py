"""Wording of findings about the battery itself: charge, resistance, capacity, type."""

from __future__ import annotations

from reports.wording import Wording, check, wording

# Limits: 12.4 V and 12.6 V at rest, load-test voltages by temperature: published workshop load-test pages and AGM
# manuals. 0.2 V a cable: published cable-drop procedures. 80 % of capacity: common practice, no source.
REST = check(
    "Measure the voltage at the battery posts after a night's rest, before anything is switched on.",
    "Flooded or EFB below 12.4 V, AGM below 12.6 V: charge the battery before judging anything else.",
    5,
    "short_circuit",
)
_LABEL = check(
    "Read type, capacity and cold-cranking current off the battery's label and compare them with what is coded.",
    "Any difference: code and register the battery that is fitted, then let the sensor learn it again.",
    5,
)
_FULL_CHARGE = check(
    "Charge the battery to full with a mains charger set to its type, then repeat the same drive.",
    "Idle-stop back on the first warm drive: it was only short of charge. Still refused: test the battery.",
    15,
    "gas_and_acid",
    "charger_ground",
)
CLAMPS = check(
    "Measure from each battery post (not the clamp) to its clamp while a second person cranks.",
    "More than 0.1 V: clean and tighten the clamp, then judge the battery anew. Less: not the clamps, test the "
    "battery.",
    5,
    "engine_restarts",
    "short_circuit",
)
LOAD_TEST = check(
    "With the battery full, load it with half its cold-cranking current for 15 s and watch the voltage.",
    "Not below 9.6 V at 20 °C and above, 9.3 V at 4 °C, 8.5 V at −18 °C; below: replace the battery.",
    20,
    "gas_and_acid",
    "short_circuit",
)

BATTERY: dict[str, Wording] = {
    "undercharge_short_trips": wording(
        "The drives are too short to fill the battery",
        "The charging voltage is right, but the drives give it too little time. Longer drives, or a mains charge now "
        "and then, keep it full. The battery itself may be sound.",
        (REST, _FULL_CHARGE, _LABEL),
        "A drain while parked looks the same: compare the current between drives. So does a wrong coded capacity.",
    ),
    "battery_resistance_high": wording(
        "The battery's resistance is high",
        "At the same starting current the voltage dips deeper than this battery's rating allows. It is aged, or "
        "there is resistance between the battery and where its voltage is measured.",
        (CLAMPS, LOAD_TEST),
        "A bad clamp, a low charge and cold all raise the figure: measure post to clamp, charged and warm.",
    ),
    "capacity_low": wording(
        "The battery holds less charge than it should",
        "The charge falls faster, for the ampere hours drawn, than in a battery of the rated capacity.",
        (
            _LABEL,
            check(
                "Charge to full, then discharge at one twentieth of the rated capacity an hour down to 10.5 V, "
                "near 25 °C, and count the ampere hours.",
                "Below 80 % of the rated capacity: plan to replace it. A healthy battery takes about 20 h.",
                30,
                "gas_and_acid",
                "short_circuit",
            ),
        ),
        "A wrong coded capacity, a current sensor off its zero, or a consumer that was added later.",
    ),
    "wrong_type_or_stratified": wording(
        "The battery's voltage does not fit its type",
        "The rest voltage is higher than the type allows while it cranks weakly: another type is fitted, or the acid "
        "lies in layers.",
        (
            _LABEL,
            check(
                "Charge for a day with the program the maker gives for recovery, rest it overnight, and repeat the "
                "drive.",
                "Better cranking at a lower rest voltage: the acid was in layers. Unchanged: test under load.",
                15,
                "gas_and_acid",
                "charger_ground",
            ),
            LOAD_TEST,
        ),
        "Surface charge soon after a drive also lifts the rest voltage: wait for six hours of rest.",
    ),
    "low_ocv_at_full": wording(
        "The rest voltage stays low although the battery was charged",
        "After a charge that should have filled it, the battery rests below the voltage of a full one.",
        (_LABEL, REST, LOAD_TEST),
        "Charge that was counted but not stored, because the current sensor is off its zero.",
    ),
    "shorted_cell": wording(
        "One cell of the battery seems shorted",
        "The rest voltage lies about one cell (2 V) below the rest, or drops by that much under load.",
        (
            REST,
            check(
                "Charge for an hour, then feel for warmth and measure the voltage half an hour later.",
                "Back at about 10.5 V, or warm to the hand: replace the battery and do not charge it further.",
                10,
                "gas_and_acid",
                "charger_ground",
            ),
            LOAD_TEST,
        ),
        "A deeply discharged battery shows the same voltage, but recovers when it is charged.",
    ),
    "battery_coding_wrong": wording(
        "The battery coded in the vehicle is not the one fitted",
        "Charge and thresholds do not fit the battery: its capacity or type is coded wrong, or its replacement was "
        "never registered.",
        (_LABEL, REST),
        "A wrong battery type in the platform file makes this page misread the voltage: check it there too.",
    ),
    "battery_changed": wording(
        "The battery was changed, or its figures reset, during the recording",
        "Resistance or capacity jump at one instant. Figures before and after belong to different batteries.",
        (
            check(
                "Ask when the battery was replaced, and read whether the replacement is registered.",
                "Not registered: register it, then leave the vehicle at rest for a night.",
                5,
            ),
            _LABEL,
        ),
        "A clamp that was tightened makes the resistance jump the same way.",
    ),
    "normal_cycling": wording(
        "The battery's charge sinks and recovers as intended",
        "Idle-stop is refused late in a trip because stops have used the charge, and returns after driving. That is "
        "no fault.",
        (),
        "A battery that is short of charge refuses already at the first warm standstill after 20 min of driving.",
    ),
}
