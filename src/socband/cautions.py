"""What people are warned of whatever the numbers say: every answer's cautions, in one place."""

from __future__ import annotations

_ISOLATED = (
    "Lithium banks can deliver thousands of amperes: work on them only with the bank isolated and "
    "insulated tools, and leave mains wiring to a licensed electrician."
)
_CODES = "Local electrical codes and the battery maker's manual come first."

TONIGHT = (
    "An estimate, no measurement: never let a life-supporting device depend on it.",
    _ISOLATED,
    "Do not charge an LFP bank below 0 °C unless its maker allows it. A swollen, hot or smelling "
    "battery: switch off, keep away, call for help.",
    "“Disconnects” is the first time. A bank whose voltage recovers at rest may switch on again by "
    "itself for a while; what it gives then is not counted.",
    _CODES,
)
SUSPECTS = (
    "A suspect is a probability, no verdict. Measure before anything is changed.",
    _ISOLATED,
    "Take off rings: a slipped spanner is enough. Chargers' insides, main fuses and busbars are "
    "for licensed people; in doubt call a licensed technician.",
    "A connection that is hot, browned or smells can start a fire: heavy loads off now.",
    "Before anything is switched off: medical devices, alarms and frost protection need another "
    "supply.",
    _CODES,
)
CHARGING = (
    "Never charge lithium iron phosphate cells below the temperature their maker allows.",
    "A fuse that blew did so for a reason. Never bridge one, never fit a larger one.",
    "Anything hot, swollen or smelling: switch off if that is safe, leave, call for help.",
    "Keep medical and safety devices on a supply that does not depend on this bank.",
    "Local codes and licensed practice come before anything written here.",
)
