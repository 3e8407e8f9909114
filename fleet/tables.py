"""The tables of the store: every column with its type and meaning, the one place that says it.

Any Parquet reader opens them; times are UTC and null where the log knows no date (`t_s` always counts from the first
frame). Currents are negative when drawn. NaN is never written: what is unknown is null. Nothing about position is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

SCHEMA = 2  # of what is written; goes up when a column or its meaning changes, or an analysis gives other figures
SCHEMA_KEY = b"idlewhy.store.schema"
HEAD = "recordings"  # written last: a part whose head is there is whole


@dataclass(frozen=True, slots=True)
class Column:
    """One column. kind: as `schema_of` knows it. meaning: one line, unit in brackets."""

    name: str
    kind: str
    meaning: str


def _tables(text: str, blocks: Mapping[str, tuple[Column, ...]]) -> dict[str, tuple[Column, ...]]:
    """Tables by name. Each begins with a heading that names it, and the blocks of columns that come before its own."""
    tables: dict[str, tuple[Column, ...]] = {}
    name = ""
    for line in text.splitlines():
        if line.startswith("["):
            name, *before = line.strip("[]").split()
            tables[name] = tuple(column for block in before for column in blocks[block])
        elif line:
            tables[name] += (Column(*line.split(maxsplit=2)),)
    return tables


_BLOCKS = _tables(
    """
[of]
recording       word    the recording this row was drawn from, as in the table recordings
vehicle         word    the vehicle's name, or its pseudonym
[at]
row             int     its number within the recording, from 0, in order of time
time            time    when it began
t_s             float   the same from the recording's first frame [s]
""",
    {},
)

TABLES = _tables(
    """
[recordings of]
platform        word    id of the platform
platform_sha256 text    SHA-256 over the platform's files
schema          int     version of these tables when the row was written
generation      int     0; one more for each time the same logs were added again with another definition
sources         texts   SHA-256 of each log, sorted
files           texts   the logs' names; empty in a pseudonymised store
bytes           int     size of the logs [B]
formats         texts   formats of the logs
time            time    first frame
end             time    last frame
duration_s      float   from the first to the last frame [s]
frames          int     frames read
frames_decoded  int     frames that gave at least one role a sample
coverage        float   share of the time with current samples, 0 to 1
gaps            int     stretches in which no frame at all was seen
battery_only    flag    only the battery's signals were there, so no refusal could be seen
battery_type    word    flooded, efb or agm
capacity_rated  float   rated capacity [Ah]
crank_rated_a   float   cold-cranking rating [A]
soc_limit       float   charge below which the platform refuses a stop [%]
idle_l_per_h    float   fuel burnt at idle, as the platform says [l/h]
soc_start       float   charge at the beginning [%]
soc_end         float   charge at the end [%]
soc_min         float   lowest charge [%]
capacity_ah     float   capacity now [Ah]
capacity_low    float   lower end of its band [Ah]
capacity_high   float   upper end of its band [Ah]
resistance_mohm float   resistance at 25 degC [mOhm]
resistance_low  float   lower end of its band [mOhm]
resistance_high float   upper end of its band [mOhm]
quiescent_ma    float   draw asleep, negative [mA]
next_crank_v    float   lowest voltage expected of the next crank [V]
conditions      texts   names of the platform's conditions for a stop, in the order of the table decisions
[standstills of at]
seconds         float   how long the vehicle stood [s]
outcome         word    stopped, cut_short, refused or not_sought
ended_by        word    driver, system or unknown
verdict         word    how firm the attribution is: none, sole, multiple, probable, contradicted, unknown
sole_condition  word    the only condition that failed, where every other was known to be met
sole_group      word    its group
reasons         int     conditions that failed
hidden          int     conditions that were not visible
explained       flag    the outcome follows from the conditions
stop_s          float   engine stopped by the vehicle [s]
lost_idle_s     float   refused only: standing beyond the stop delay with the engine running [s]
temperature_c   float   of the battery [degC]
soc             float   charge [%]
drive           int     number of the drive it belongs to, as in the table drives
[reasons of at]
standstill      int     number of the standstill
outcome         word    of that standstill
condition       word    the condition that failed
group           word    safety, engine, comfort, electrical, driver or fault
role            word    the role it looks at
value           float   value at the decision, in the role's unit; null where it is not a number
value_text      text    the same where it is a word or a flag
threshold       float   what it had to meet
threshold_text  text    the same where it is a word or a flag
unit            word    of value and threshold
failing_s       float   how long it had been failing [s]
alone           flag    the only one failing, every other known to be met
told            flag    the vehicle itself said so
[starts of at]
kind            word    first or restart
min_v           float   lowest voltage observed [V]
peak_a          float   largest current drawn, negative [A]
crank_s         float   starter on to starter off [s]
to_idle_s       float   starter on to engine running [s]
resistance_mohm float   normalised to 25 degC [mOhm]
resistance_low  float   lower end of its band [mOhm]
resistance_high float   upper end of its band [mOhm]
temperature_c   float   of the battery [degC]
soc             float   charge [%]
before_v        float   voltage before the crank [V]
resolved        flag    sampled fast enough to see the crank; else voltage and resistance are bounds
method          word    how the resistance was taken
[rests of at]
seconds         float   how long it was parked [s]
end_v           float   voltage at the end [V]
mean_ma         float   mean current while parked [mA]
asleep_ma       float   the same once asleep, without wake-ups [mA]
soc             float   charge from the voltage at rest [%]
soc_low         float   lower end of its band [%]
soc_high        float   upper end of its band [%]
settled         word    settled, upper (surface charge), lower (after discharge) or unknown
temperature_c   float   of the battery [degC]
wake_ups        int     times it drew more than asleep, something left on among them
wake_up_ah      float   charge drawn by them [Ah]
[drives of at]
seconds         float   how long it took [s]
charged_ah      float   charge put in [Ah]
discharged_ah   float   charge drawn [Ah]
max_v           float   highest voltage held for 10 s [V]
coverage        float   share of the time with current samples, 0 to 1
distance_km     float   distance driven [km]
[daily of]
day             day     UTC
drives          int     drives that began that day
drive_s         float   time driven [s]
opportunities   int     standstills at which a stop was to be expected
trips           int     drives with at least one of them
stopped         int     of them stopped
cut_short       int     of them ended early by the vehicle
refused         int     of them refused
by_design       int     of the refused, those that a temperature condition alone forbade: cold or heat, no defect
hidden          int     of the refused, those without a visible cause
battery         int     of the refused, those with an electrical condition as the only cause, temperature apart
standstill_s    float   time standing at them [s]
stop_s          float   engine stopped by the vehicle [s]
lost_idle_s     float   idling that the refusals cost [s]
cranks          int     cranks behind resistance_mohm: resolved, charge above 70 %
resistance_mohm float   median of theirs at 25 degC [mOhm]
crank_min_v     float   median of the lowest voltages of all resolved cranks [V]
crank_c         float   median temperature of the battery at cranks [degC]
rests           int     rests behind rest_soc: settled
rest_soc        float   mean charge from the voltage at rest [%]
rest_c          float   mean temperature at them [degC]
asleep_ma       float   time-weighted draw asleep over rests of 4 h and more, positive [mA]
asleep_h        float   hours of such rests
nights          int     number of such rests
charged_ah      float   charge put in while driving [Ah]
discharged_ah   float   charge drawn while driving [Ah]
parked_s        float   time parked with the current known [s]
parked_ah       float   charge drawn in it [Ah]
coverage        float   share of the driven time with current samples, 0 to 1
soc_min         float   lowest charge of the day [%]
temperature_c   float   mean temperature of the battery [degC]
[refusals of]
day             day     UTC
condition       word    a condition that failed at refused standstills; "" for refusals without a visible cause
group           word    its group
refusals        int     refused standstills at which it failed
alone           int     of them those where nothing else failed
lost_idle_s     float   idling they cost [s]
[findings of at]
code            word    stable name of the finding
weight          word    note, check or act
possible        flag    fewer than two independent lines of evidence, or an input unknown
evidence        texts   the lines for it, in English
[events of at]
kind            word    sensor_reset or battery_changed, as the recording shows it
evidence        texts   what shows it, in English
[decisions of at]
stopped         flag    whether the engine was stopped
value_low       floats  the value each condition looks at, lower end of its band
value_high      floats  upper end of its band
lowest          floats  lowest value since the decision before
highest         floats  highest value since the decision before
state           ints    each condition by the platform's rules: 1 met, 0 failing, -1 unknown
told            flags   the vehicle itself named the condition
hidden          flag    something beyond the conditions was not visible
step            floats  resolution of each signal
""",
    _BLOCKS,
)

VEHICLES = _tables(
    """
[vehicles]
vehicle         word    the vehicle's name, or its pseudonym
platform        word    id of the platform
battery         word    what the manifest calls the battery fitted; another word begins another battery
depot           word    where the vehicle belongs
sequence        int     number of the manifest; the highest counts
[visits]
vehicle         word    the vehicle's name, or its pseudonym
day             day     of the visit
kind            word    visit, battery, coding or reset; all but visit begin another battery episode
sequence        int     number of the manifest; the highest counts
""",
    {},
)


@cache
def schema_of(table: str) -> Any:
    """The Arrow schema of a table, its version in the metadata."""
    import pyarrow as pa

    text = pa.string()
    kinds = {
        "word": pa.dictionary(pa.int32(), text),
        "text": text,
        "texts": pa.list_(text),
        "int": pa.int64(),
        "ints": pa.list_(pa.int8()),
        "float": pa.float64(),
        "floats": pa.list_(pa.float64()),
        "flag": pa.bool_(),
        "flags": pa.list_(pa.bool_()),
        "time": pa.timestamp("us", tz="UTC"),
        "day": pa.date32(),
    }
    columns = TABLES.get(table) or VEHICLES[table]
    fields = [pa.field(column.name, kinds[column.kind]) for column in columns]
    return pa.schema(fields, metadata={SCHEMA_KEY: str(SCHEMA).encode()})


def table_of(name: str, rows: list[dict[str, Any]]) -> Any:
    """Rows as an Arrow table of that name; a float that is not finite becomes null. Raises KeyError for a column."""
    import pyarrow as pa

    schema = schema_of(name)
    columns = {}
    for field in schema:
        values = [_known(row.get(field.name)) for row in rows]
        columns[field.name] = pa.array(values, type=field.type)
    extra = {key for row in rows for key in row} - set(columns)
    if extra:
        raise KeyError(f"{name} has no column {min(extra)!r}")
    return pa.table(columns, schema=schema)


def _known(value: Any) -> Any:
    if isinstance(value, float):
        return value if abs(value) < float("inf") else None  # NaN compares false, so it becomes null too
    if isinstance(value, list):
        return [_known(one) for one in value]
    return value
