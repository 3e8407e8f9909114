"""How English and German databases name what plays a role: one row a role, used to propose bindings.

The words are common practice, no source. A row never decides; it gives reasons that a person looks through.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Habit:
    """subject, quantity: patterns for `normal` names; both must be found, the quantity in the unit as well.

    never: rules a name out. covers: values in the role's unit that the signal's range must hold. most: a range that
    ends above it speaks against the role. true: names of values that mean true. false_name: in the signal's own name
    it turns a flag round ("HoodClosed" for `hood_open`).
    """

    subject: str
    quantity: str = ""
    never: str = ""
    covers: tuple[float, float] | None = None
    most: float | None = None
    true: str = ""
    false: str = (
        r"\b(?:no|not(?! latch)|un(?!latch)\w*|nicht|kein\w*|in(?:active|aktiv)|off|aus|invalid|ungueltig|sna)\b"
    )
    false_name: str = ""


BATTERY = r"batt|dc ?source|\bbat\b|akku|\bpol(?:e|klemme)?\b|\bkl ?30\b|terminal 30|\b[uit]bat\b|\bbms\b|\bbss?\b"
VOLT = r"volt|potential|spannung|\bu\b|\bub\b|\bubat"
AMP = r"current|strom|\bi\b|\bamps?\b|\bampere|\bibat|^(?:dis)?charge$|entlad"
TEMP = r"temp|\bt\b|\btbat"
GENERATOR = r"generator|alternator|lichtm|\bgen\b|\blima\b"
ENGINE = r"engine|motor|\bmot\b|\beng\b|kurbelwelle|crankshaft|\bvkm\b"
IDLE_STOP = r"idle ?stop|stop ?(?:/|and|und)? ?start|start ?stop|stopp ?start|start ?stopp|\bssa\b|\bmsa\b|\bsts\b"
_AIM = r"target|desired|soll|set ?point|request|limit|\bmin\b|\bmax\b|vorgabe|wunsch"
_BACK = r"rear|hinten|passenger|beifahrer|trailer|anhaeng"
_STATUS = r"status|valid|qualit|fault|error|fehler|gueltig|plaus|counter|\bcrc\b|check"

ON = (
    r"^(?:on|yes|true|active|activated|enabled?|ein|an|ja|wahr|aktiv|aktiviert|present|set|running|1"
    r"|erkannt|detected|vorhanden|requested|angefordert)$"
)
_PRESSED = r"press|betaetigt|gedrueckt|getreten|applied|depressed|" + ON
_OPEN = r"open|offen|\bauf\b|geoeffnet|ajar|latch|entriegelt|" + ON
_FAULT = r"fault|error|fehler|defekt|stoerung|" + ON
_INHIBIT = r"inhibit|block|forbid|prevent|verhinder|verbot|sperr|disabl|not allowed|nicht erlaubt|refus"

HABITS: dict[str, Habit] = {
    "battery_voltage": Habit(
        BATTERY,
        VOLT,
        rf"{_AIM}|{_STATUS}|crank|next|ripple|cell|zelle|{GENERATOR}|high ?volt|\bhv\b",
        (9.0, 15.0),
        100.0,
    ),
    "battery_current": Habit(
        BATTERY, AMP, rf"{_AIM}|{_STATUS}|{GENERATOR}|high ?volt|\bhv\b|state|soc\b|zustand", (-200.0, 50.0), 5000.0
    ),
    "battery_temperature": Habit(
        BATTERY, TEMP, rf"{_AIM}|{_STATUS}|cell|zelle|{ENGINE}|coolant|ambient", (-20.0, 60.0), 300.0
    ),
    "battery_soc": Habit(
        r"\bsoc\b|state of charge|state charge|charge (?:state|level)|ladezustand|ladungszustand|^charge$|ladegrad",
        "",
        rf"{_AIM}|{_STATUS}",
        (30.0, 100.0),
        130.0,
    ),
    "battery_soh": Habit(
        r"\bsoh\b|state of health|state health|health|alterungszustand|gesundheit", "", rf"{_STATUS}", (50.0, 100.0)
    ),
    "battery_crank_min_voltage": Habit(
        r"crank|anlass|\bsof\b|starter", VOLT + r"|\bsof\b|u ?min", r"status|valid|time|count|temp", (6.0, 11.0), 100.0
    ),
    "battery_capacity_coded": Habit(r"capacity|kapazitaet", r"cod|nenn|nominal|rated|config|kodier", _STATUS),
    "battery_sensor_reset": Habit(
        r"reset|unlearn|power ?loss|versorgungsausfall|rueckgesetzt|angelernt",
        "",
        "counter|request",
        true=r"reset|" + ON,
    ),
    "battery_soc_plausible": Habit(
        r"(?:soc|charge|ladezustand|ladung)\b.*(?:plaus|qualit|valid|gueltig|guete)",
        "",
        "request",
        true=r"plaus|ok|" + ON,
    ),
    "battery_sensor_fault": Habit(
        rf"(?:sensor|{BATTERY}).*(?:fault|error|fehler|defekt|stoerung)", "", r"respon|comm|counter", true=_FAULT
    ),
    "lin_response_error": Habit(
        r"respon\w* ?err|rsp ?err|comm\w* ?err|antwort ?fehler|lin ?(?:fehler|err)|uebertragungsfehler", true=_FAULT
    ),
    "board_voltage": Habit(
        r"board|bordnetz|on ?board|system|supply|versorgung|\bkl ?(?:30|15|87)\b|key ?switch|ecu|net\b",
        VOLT,
        rf"{_AIM}|{_STATUS}|{GENERATOR}|batt|high ?volt|\bhv\b|sensor",
        (9.0, 15.0),
        100.0,
    ),
    "alternator_voltage": Habit(GENERATOR + r"|^charging", VOLT, rf"{_AIM}|{_STATUS}", (10.0, 15.0), 100.0),
    "alternator_setpoint": Habit(
        rf"{GENERATOR}|charg|lade",
        rf"(?:{_AIM}).*(?:{VOLT})|(?:{VOLT}).*(?:{_AIM})|^generator set ?point",
        _STATUS,
        (12.0, 15.0),
        100.0,
    ),
    "alternator_current": Habit(GENERATOR, AMP, rf"{_AIM}|{_STATUS}|excit|erreger", (0.0, 100.0), 2000.0),
    "alternator_load": Habit(GENERATOR, r"load|last|auslastung|duty|moment", _STATUS + r"|dump", (0.0, 90.0)),
    "charging_fault": Habit(rf"charg|{GENERATOR}|lade", r"fault|error|fehler|lamp|kontrollleuchte|warn", true=_FAULT),
    "refresh_charging": Habit(r"refresh|auffrisch|regenerier|recovery charg|equali[sz]", true=ON),
    "stabiliser_ready": Habit(
        r"stabili[sz]|dc ?/? ?dc|spannungswandler|puffer",
        r"ready|bereit|avail|status|ok",
        true=r"ready|bereit|ok|" + ON,
    ),
    "jump_start_seen": Habit(r"jump ?start|fremdstart|starthilfe", true=r"seen|" + ON),
    "ignition_on": Habit(
        r"ignition(?: terminal)?|zuend|\bkl ?15\b|klemme ?15|terminal 15|key ?(?:position|state)",
        "",
        r"angle|winkel|timing|coil|retard|advance",
        true=r"start|run|" + ON,
    ),
    "engine_speed": Habit(
        rf"{ENGINE}|\brpm\b|drehzahl|^n$",
        r"speed|drehzahl|\brpm\b|\bn\b",
        rf"{_AIM}|{_STATUS}|idle|leerlauf|fan|luefter|wheel|turbine|gear|electric",
        (0.0, 3000.0),
        30000.0,
    ),
    "engine_running": Habit(
        rf"{ENGINE}", r"run|laeuft|laufend|lauf\b|state|zustand", r"request|time|hours", true=r"run|laeuft|" + ON
    ),
    "starter_active": Habit(
        r"starter|anlasser|crank(?:ing)?\b",
        "",
        rf"temp|volt|spannung|inhibit|{IDLE_STOP}|shaft|min|next",
        true=r"engaged|crank|dreht|" + ON,
    ),
    "vehicle_speed": Habit(
        r"vehicle|fahrzeug|\bfzg\b|\bveh\b|geschwindigkeit|\bgeschw\b|wheel ?based|\bv ?fzg|road|tacho",
        r"speed|geschw|\bv\b|velocity|\bvfzg",
        rf"{_AIM}|{_STATUS}|engine|motor|drehzahl|cruise|\bwind\b|\bfan\b",
        (0.0, 120.0),
        600.0,
    ),
    "coolant_temperature": Habit(
        r"coolant|kuehlmittel|kuehlwasser|\bclt\b|\bect\b|\bkmt\b|\btkm\b",
        rf"{TEMP}|coolant|\bclt\b|\bect\b|\bkmt\b|\btkm\b",
        rf"{_AIM}|{_STATUS}|press|level|stand|druck",
        (-20.0, 110.0),
        400.0,
    ),
    "oil_temperature": Habit(
        r"\boil|\boel|motoroel",
        TEMP + r"|^oil$|^oel$",
        rf"gear|getriebe|trans|press|druck|level|{_STATUS}",
        (0.0, 120.0),
    ),
    "catalyst_temperature": Habit(r"cataly|katalys|\bkat\b", TEMP + r"|catalyst$", _STATUS, (0.0, 600.0)),
    "gearbox_temperature": Habit(r"gear|getriebe|transmission", TEMP, rf"{_STATUS}|{_AIM}", (0.0, 120.0)),
    "ambient_temperature": Habit(
        r"ambient|aussen|outside|umgebung|outdoor|exterior|\boat\b",
        TEMP,
        rf"{_STATUS}|press|druck",
        (-20.0, 40.0),
        200.0,
    ),
    "ambient_pressure": Habit(
        r"ambient|umgebung|barometr|atmos|luftdruck|aussen", r"press|druck|barom|\bp\b", _STATUS, (70.0, 105.0)
    ),
    "brake_vacuum": Habit(
        r"vacuum|vakuum|unterdruck|booster|bremskraftverst", r"vacuum|vakuum|press|druck|\bp\b", _STATUS, (20.0, 60.0)
    ),
    "particle_filter_regeneration": Habit(
        r"regenerat", r"filter|\bdpf\b|\bpf\b|partikel|particul|regenerat", "load|brake", true=ON
    ),
    "starter_temperature": Habit(r"starter|anlasser", TEMP + r"|starter$", _STATUS, (0.0, 100.0)),
    "engine_fault": Habit(
        rf"{ENGINE}|{IDLE_STOP}", r"fault|error|fehler|malfunction|stoerung|\bmil\b", "counter", true=_FAULT
    ),
    "brake_pressed": Habit(
        r"brake|bremse|bremspedal|bremslicht",
        r"pedal|switch|press|schalter|licht|light|betaet|$",
        r"park|hand|fest|pressure|druck|fault|fehler|vacuum|pad|fluid",
        true=_PRESSED,
    ),
    "brake_pressure": Habit(
        r"brake|brems", r"press|druck", r"vacuum|booster|unterdruck|switch|pressed|schalter|park", (0.0, 5000.0)
    ),
    "clutch_pressed": Habit(r"clutch|kuppl", "", r"temp|slip|wear|torque|press(?:ure)", true=_PRESSED),
    "accelerator": Habit(
        r"accelerat|throttle|fahrpedal|gaspedal|\bapp\b|\bfp\b",
        r"pedal|posi|stellung|wert|fahrpedal|gaspedal|accelerator$|\bapp\b",
        rf"{_STATUS}|kick|lateral|longitud|laengs|quer|vertical|angular",
        (0.0, 95.0),
    ),
    "gear_neutral": Habit(
        r"neutral|leerlauf(?:stellung|schalter|gang)|leergang", "", "speed|drehzahl|safety", true=r"neutral|leer|" + ON
    ),
    "gear": Habit(
        r"gear|gang|selector|waehlhebel|fahrstufe|\bprnd|shift lever",
        "",
        r"temp|oil|oel|shift time|ratio|target|soll|torque",
    ),
    "steering_angle": Habit(
        r"steer|lenk|\blws\b|\bsas\b",
        r"angle|winkel|\bposition",
        rf"rate|speed|geschw|wheel speed|{_STATUS}",
        (0.0, 360.0),
    ),
    "steering_rate": Habit(
        r"steer|lenk|\blws\b|\bsas\b", r"rate|angle speed|winkelgeschw|angular|velocity", _STATUS, (0.0, 300.0)
    ),
    "idle_stop_switched_off": Habit(
        rf"{IDLE_STOP}",
        r"switch|button|taster|taste|schalter|\boff\b|\baus\b|deaktiv|disab",
        r"stabili|fault|fehler",
        true=r"off|aus|deaktiv|press|gedrueckt|betaetigt|disab",
        false=r"\b(?:no|not|un\w*|nicht)\b",
    ),
    "hood_open": Habit(r"hood|bonnet|haube", "", "heck|rear", true=_OPEN, false_name=r"clos|geschl|\bzu\b"),
    "driver_door_open": Habit(
        r"door.*driver|driver.*door|fahrer ?tuer|tuer ?fahrer|tuer.*\bfs\b|doors? driver|tuer ?vl|door ?fl",
        "",
        rf"{_BACK}|lock|verriegel|window|fenster",
        true=_OPEN,
        false_name=r"clos|geschl|\bzu\b",
    ),
    "driver_belt_latched": Habit(
        r"belt|gurt",
        r"driver|fahrer|\bfs\b|belt|gurt",
        rf"{_BACK}|tension|straff|remind|warn|lamp",
        true=r"^latch|buckl|fasten|gesteckt|angelegt|geschlossen|closed|" + ON,
        false_name=r"open|offen|unbuck|unfast",
    ),
    "slope": Habit(r"slope|steigung|gradient|neigung|inclin|\bgrade\b", "", rf"{_STATUS}|temp|lateral|quer|torque"),
    "trailer_connected": Habit(
        r"trailer(?: socket)?|anhaenger|\bahk\b",
        "",
        r"brake|brems|light|licht|lamp|temp",
        true=r"connect|gesteckt|erkannt|" + ON,
    ),
    "parking_assist_active": Habit(
        r"park\w* ?(?:assist|pilot|aid|hilfe|lenk)(?: active)?|einpark", "", _STATUS, true=r"parking|" + ON
    ),
    "stability_active": Habit(
        r"stability|stabilit|\besp\b|\besc\b|\bdsc\b|\btcs\b|\basr\b|\babs\b",
        "",
        r"fault|fehler|lamp|switch|taster|off|speed|geschw|ready|volt",
        true=r"interven|regel|eingriff|" + ON,
    ),
    "cabin_temperature": Habit(
        r"cabin|innenraum|interior|passenger compartment|\binnen", TEMP, rf"{_AIM}|{_STATUS}", (0.0, 45.0), 200.0
    ),
    "cabin_target_temperature": Habit(
        r"target|set ?point|soll|desired|wunsch|\bset\b",
        TEMP,
        rf"{_STATUS}|engine|motor|coolant|kuehl|batt|oil",
        (17.0, 27.0),
        120.0,
    ),
    "defrost_on": Habit(
        r"defrost|enteis|frontscheibe|windscreen|windshield|defog", "", "rear|heck|wiper|wisch|washer", true=ON
    ),
    "blower_level": Habit(
        r"blower|geblaese|fan (?:level|step)|luefterstufe", "", "coolant|kuehler|radiator|engine|motor|request"
    ),
    "compressor_request": Habit(
        r"compressor|kompressor|klimakompr|a ?/?c (?:request|demand)|verdichter",
        r"request|demand|anford|wunsch|on$|ein$",
        "pressure|druck|torque",
        true=ON,
    ),
    "idle_stop_active": Habit(
        rf"{IDLE_STOP}",
        r"active|aktiv|running|engaged|status|state|$",
        rf"{_INHIBIT}|switch|schalter|taste|fault|fehler|reason|grund|stabil",
        true=r"stopped|" + ON,
    ),
    "idle_stop_inhibited": Habit(
        rf"{IDLE_STOP}",
        _INHIBIT,
        r"batt|engine|motor|climate|klima|comfort|komfort|safety|sicherheit|reason|grund|ursache",
        true=r"inhibit|gesperrt|" + ON,
    ),
    "idle_stop_inhibit_battery": Habit(
        rf"(?:{_INHIBIT}).*(?:batt|akku|bordnetz)|(?:batt|akku|bordnetz).*(?:{_INHIBIT})", true=r"inhibit|" + ON
    ),
    "idle_stop_inhibit_engine": Habit(
        rf"(?:{_INHIBIT}).*(?:engine|motor)|(?:engine|motor).*(?:{_INHIBIT})", "", "starter", true=r"inhibit|" + ON
    ),
    "idle_stop_inhibit_comfort": Habit(
        rf"(?:{_INHIBIT}).*(?:comfort|komfort|clima|klima)|(?:comfort|komfort|clima|klima).*(?:{_INHIBIT})",
        true=r"inhibit|" + ON,
    ),
    "idle_stop_inhibit_safety": Habit(
        rf"(?:{_INHIBIT}).*(?:safety|sicherheit)|(?:safety|sicherheit).*(?:{_INHIBIT})", true=r"inhibit|" + ON
    ),
    "idle_stop_reason": Habit(rf"{IDLE_STOP}", r"reason|grund|ursache|cause"),
}
