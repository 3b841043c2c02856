"""The table of all readability rules, in the order in which findings are given."""

from __future__ import annotations

from mediashelf.readability.rule_types import Rule
from mediashelf.readability.rules.letters import LETTER_RULES
from mediashelf.readability.rules.names import NAME_RULES
from mediashelf.readability.rules.paths import PATH_RULES
from mediashelf.readability.rules.phase import PHASE_RULES
from mediashelf.readability.rules.trees import TREE_RULES
from mediashelf.readability.rules.udf import UDF_RULES
from mediashelf.readability.rules.volume import VOLUME_RULES

RULES: tuple[Rule, ...] = (
    *TREE_RULES,
    *UDF_RULES,
    *VOLUME_RULES,
    *NAME_RULES,
    *LETTER_RULES,
    *PATH_RULES,
    *PHASE_RULES,
)
