"""The tester's side of diagnosis: modules questioned over the simulated network, on simulated time."""

from lab.tester.diagnosis import Diagnosis, NoAnswer, NoService, refusal_words
from lab.tester.identity import (
    Configured,
    compare_configuration,
    configuration_of,
    load_configuration,
    read_configuration,
    read_value,
    save_configuration,
    told_by,
    value_words,
)
from lab.tester.memory import (
    Code,
    Codes,
    clear_codes,
    codes_from_json,
    compare_codes,
    load_codes,
    read_codes,
    save_codes,
)
from lab.tester.misses import LEGEND, who_misses_whom
from lab.tester.values import Value, names_like, read_values, value_names

__all__ = [
    "LEGEND",
    "Code",
    "Codes",
    "Configured",
    "Diagnosis",
    "NoAnswer",
    "NoService",
    "Value",
    "clear_codes",
    "codes_from_json",
    "compare_codes",
    "compare_configuration",
    "configuration_of",
    "load_codes",
    "load_configuration",
    "names_like",
    "read_codes",
    "read_configuration",
    "read_value",
    "read_values",
    "refusal_words",
    "save_codes",
    "save_configuration",
    "told_by",
    "value_names",
    "value_words",
    "who_misses_whom",
]
