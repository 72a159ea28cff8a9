"""The test before it is run: steps that yield what the criteria ask, with the instruments that are at hand.

Nothing here knows a log or the register.
"""

from cycler.plan.card import plan_card_html
from cycler.plan.conditions import CONDITIONS, DEFAULT_CONDITIONS, Conditions, conditions_of
from cycler.plan.equipment import Equipment, equipment_from_dict, equipment_from_text, load_equipment
from cycler.plan.make import SCHEMA, make_plan
from cycler.plan.needs import Wanted, wanted_of
from cycler.plan.text import plan_text

__all__ = [
    "CONDITIONS", "DEFAULT_CONDITIONS", "SCHEMA", "Conditions", "Equipment", "Wanted", "conditions_of", "equipment_from_dict", "equipment_from_text", "load_equipment",
    "make_plan", "plan_card_html", "plan_text", "wanted_of",
]
