"""Wording of findings about the data: what the bus, the sensor or the logger got wrong."""

from __future__ import annotations

from reports.wording import Wording, check, wording

DATA: dict[str, Wording] = {
    "sensor_mute": wording(
        "The battery sensor does not answer",
        'It is asked and stays silent, or sends only "not available". Nothing about the battery can be judged.',
        (
            check(
                "Measure supply and ground at the sensor's plug, and the level of the LIN line.",
                "Battery voltage on supply and, idle, nearly as much on LIN: the sensor. Missing: wire or fuse.",
                10,
                "short_circuit",
            ),
        ),
        "The bus was asleep, or another schedule ran: then nobody asked.",
    ),
    "lin_errors": wording(
        "Frames on the LIN line are damaged",
        "Checksums or identifiers are wrong. The damaged frames were left out.",
        (
            check(
                "See in the table of faults whether one identifier is hit, or all, and whether only while cranking.",
                "One: its length or checksum kind in the definition. All, always: the checksum kind or bit rate. "
                "While cranking: supply and ground of the sensor.",
                5,
            ),
            check(
                "Measure supply and ground at the sensor's plug while a second person cranks.",
                "Below 7 V: cable or battery.",
                10,
                "engine_restarts",
                "short_circuit",
            ),
        ),
        "A definition with the wrong kind of checksum marks every frame as damaged.",
    ),
    "frozen_value": wording(
        "A signal never changes although it should",
        "Its value was not believed: a gateway may repeat an old one, or its sender hangs.",
        (
            check(
                "Watch the signal live while changing what it measures.",
                "It stays: its sender or the gateway. It follows: it was truly constant in this recording.",
                5,
            ),
        ),
        "A quantity that really was constant, as a temperature in a short drive.",
    ),
    "data_gap": wording(
        "The recording has gaps or clock steps",
        "Nothing was counted across them; what happened there is unknown.",
        (
            check(
                "Compare the gaps with the cranks and with the borders of the log files.",
                "At cranks: the logger loses its supply. At borders or after parking: card or sleep settings.",
                5,
            ),
        ),
        "A bus that sleeps is silent as it should be.",
    ),
    "current_sign_wrong": wording(
        "The current seems to have the wrong sign",
        "The battery seems to be charged while it cranks.",
        (
            check(
                "In platform.toml turn round `positive` of battery_current and run the analysis again.",
                "Cranking now draws current: the definition was wrong.",
                5,
            ),
            check(
                "Look which way round the sensor sits on the minus cable.",
                "Turned round: mount it as the maker says.",
                5,
                "short_circuit",
            ),
        ),
        "A jump-start, during which current may flow into the battery.",
    ),
}
