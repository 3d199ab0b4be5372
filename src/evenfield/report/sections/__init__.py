"""The report's sections, each one question of the design review."""

from evenfield.report.sections.brief import brief_section
from evenfield.report.sections.drivers import drivers_section
from evenfield.report.sections.evidence import evidence_section
from evenfield.report.sections.field import field_section
from evenfield.report.sections.geometry import geometry_section
from evenfield.report.sections.handover import handover_section
from evenfield.report.sections.time import time_section

__all__ = [
    "brief_section",
    "drivers_section",
    "evidence_section",
    "field_section",
    "geometry_section",
    "handover_section",
    "time_section",
]
