"""Component ids of the page: a test plan from pack, instruments and criteria, and its bench card."""

from __future__ import annotations

PLAN_BASIS, PLAN_ASKED, PLAN_DOWNLOAD = "plan-basis", "plan-asked", "plan-download"
PLAN_KIND, PLAN_PACK, PLAN_PACK_BOX, PLAN_TYPED_BOX = "plan-kind", "plan-pack", "plan-pack-box", "plan-typed-box"
PLAN_FIELD, PLAN_EQUIPMENT = "plan-field", "plan-equipment"
PLAN_CRITERIA, PLAN_CONDITIONS, PLAN_RATE, PLAN_CHOICES = "plan-criteria", "plan-conditions", "plan-rate", "plan-choices"
PLAN_MAKE, PLAN_ERROR, PLAN_RESULT = "plan-make", "plan-error", "plan-result"
PLAN_CARD, PLAN_KEEP, PLAN_KEPT = "plan-card", "plan-keep", "plan-kept"
