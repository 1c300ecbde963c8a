"""Codes that emitted resources carry. Nothing here was guessed: what has no code has text only."""

from service.facts.finding import Finding
from service.facts.quantity import Vital
from service.facts.unit import Component, Group, LabelMessage, Restriction
from service.fhir.own import BASE

SNOMED = "http://snomed.info/sct"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
HL7 = "http://terminology.hl7.org/CodeSystem"
ISBT = "https://www.isbt128.org/uri"
PROPERTY_TYPES = "http://hl7.org/fhir/biologicallyderived-product-property-type-codes"

OWN_COMPONENT = f"{BASE}/CodeSystem/component"
OWN_PROPERTY = f"{BASE}/CodeSystem/property-type"
OWN_OBSERVATION = f"{BASE}/CodeSystem/observation"
OWN_VITAL = f"{BASE}/CodeSystem/vital"
OWN_SIGN = f"{BASE}/CodeSystem/sign"
OWN_CATEGORY = f"{BASE}/CodeSystem/reaction-category"
OWN_STEP_OUTPUT = f"{BASE}/CodeSystem/step-output"

# (system, code, display or None)
Code = tuple[str, str, str | None]

# SNOMED CT Global Patient Set 20200930: the free set names no transfusion of the others.
TRANSFUSION: Code = (SNOMED, "116859006", "Transfusion of blood product")
TRANSFUSION_OF: dict[Component, Code] = {
    Component.RED_CELLS: (SNOMED, "71493000", "Transfusion of packed red blood cells"),
    Component.WHOLE_BLOOD: (SNOMED, "33389009", "Transfusion of whole blood"),
}
REACTION: Code = (SNOMED, "82545002", "Blood transfusion reaction")

COMPONENT_TEXT: dict[Component, str] = {
    Component.RED_CELLS: "Red cells",
    Component.PLATELETS: "Platelets",
    Component.PLASMA: "Plasma",
    Component.CRYOPRECIPITATE: "Cryoprecipitate",
    Component.WHOLE_BLOOD: "Whole blood",
    Component.GRANULOCYTES: "Granulocytes",
}

PERFORMER: dict[str, Code] = {
    "PPRF": (f"{HL7}/v3-ParticipationType", "PPRF", "primary performer"),
    "VRF": (f"{HL7}/v3-ParticipationType", "VRF", "verifier"),
}

# HL7 table 0513; no displays, because editions of the table word them differently.
DISPOSITION_TEXT = {
    "TS": "Transfusion started",
    "TI": "Transfusion interrupted",
    "TX": "Transfused",
    "TR": "Transfused, with a suspected reaction",
    "RA": "Returned unused",
    "RL": "Returned unused, kept linked to the patient",
    "WA": "Wasted",
}

# HL7 table 0514; an open table.
REACTION_TYPES = frozenset(
    {
        *("ABOINC", "ACUTHEHTR", "ALLERGIC1", "ALLERGIC2", "ALLERGICR", "ANAPHYLAC"),
        *("BACTCONTAM", "DELAYEDHTR", "DELAYEDSTR", "GVHD", "HYPOTENS", "NONHTR1", "NONHTR2"),
        *("NONHTRREC", "NONIMMUNE", "NONSPEC", "NORXN", "PTP", "VOLOVER"),
    }
)

# A required binding in R4; any other outcome is told in the narrative.
EVENT_OUTCOMES = frozenset(
    {"resolved", "recovering", "ongoing", "resolvedWithSequelae", "fatal", "unknown"}
)

VITAL_CODES: dict[Vital, tuple[Code, ...]] = {
    Vital.TEMPERATURE: ((LOINC, "8310-5", "Body temperature"),),
    Vital.HEART_RATE: ((LOINC, "8867-4", "Heart rate"),),
    Vital.RESPIRATORY_RATE: ((LOINC, "9279-1", "Respiratory rate"),),
    Vital.SYSTOLIC: ((LOINC, "8480-6", "Systolic blood pressure"),),
    Vital.DIASTOLIC: ((LOINC, "8462-4", "Diastolic blood pressure"),),
    Vital.MEAN_PRESSURE: ((LOINC, "8478-0", "Mean blood pressure"),),
    Vital.SATURATION: (
        (LOINC, "2708-6", "Oxygen saturation in Arterial blood"),
        (LOINC, "59408-5", "Oxygen saturation in Arterial blood by Pulse oximetry"),
    ),
    Vital.OXYGEN_FLOW: ((LOINC, "3151-8", "Inhaled oxygen flow rate"),),
    Vital.CONSCIOUSNESS: ((OWN_VITAL, "consciousness", "Level of consciousness"),),
    Vital.WEIGHT: ((LOINC, "29463-7", "Body weight"),),
}
BLOOD_PRESSURE: Code = (LOINC, "85354-9", "Blood pressure panel with all children optional")

UNIT_TEXT = {
    "Cel": "°C",
    "mm[Hg]": "mmHg",
    "{score}": "score",
    "a": "years",
}

# ST-001 6.2.2 table 4: the default values, and the groups without RhD.
ABORHD: dict[tuple[str, str | None], str] = {
    ("O", "negative"): "95",
    ("O", "positive"): "51",
    ("A", "negative"): "06",
    ("A", "positive"): "62",
    ("B", "negative"): "17",
    ("B", "positive"): "73",
    ("AB", "negative"): "28",
    ("AB", "positive"): "84",
    ("O", None): "55",
    ("A", None): "66",
    ("B", None): "77",
    ("AB", None): "88",
}
# ST-001 6.2.2 table 5.
LABEL_MESSAGES: dict[LabelMessage, str] = {
    LabelMessage.NO_INFORMATION: "00",
    LabelMessage.AUTOLOGOUS: "Ma",
    LabelMessage.BIOHAZARD: "Mb",
    LabelMessage.DISCARD: "Md",
    LabelMessage.FRACTIONATION_ONLY: "Mf",
    LabelMessage.QUARANTINE: "Mq",
    LabelMessage.RESEARCH: "Mr",
    LabelMessage.NOT_FOR_TRANSFUSION: "Mx",
}

# v3-ActCode by rule id, then by family. None of them names a fault of blood, so every issue
# carries the rule's own code beside it.
ACT_CODE_TEXT = {
    "KEY206": "non-matching identification",
    "TIME": "timing detected issue",
    "FULFIL": "fulfillment alert",
    "VALIDAT": "validation issue",
    "BUS": "business constraint violation",
    "LAB": "Lab Alert",
    "OBSA": "Observation Alert",
    "PATPREF": "violates stated preferences",
    "COND": "Condition Alert",
    "REACT": "Reaction Alert",
    "RAR": "Related Prior Reaction Alert",
    "DOSE": "Dosage problem",
}
ACT_CODE_OF_RULE = {
    **dict.fromkeys(("ID-04", "ID-05", "ID-06", "ID-10", "PRE-18"), "KEY206"),
    **dict.fromkeys(("ID-12", "ID-13"), "VALIDAT"),
    **dict.fromkeys((f"ID-{number}" for number in range(30, 41)), "TIME"),
    "PRE-01": "FULFIL",
    "PRE-02": "PATPREF",
    "PRE-03": "FULFIL",
    "PRE-04": "TIME",
    "PRE-11": "OBSA",
    "PRE-12": "OBSA",
    "PRE-14": "COND",
    "PRE-16": "RAR",
}
ACT_CODE_OF_FAMILY = {
    "COMP": "LAB",
    "ID": "BUS",
    "PRE": "BUS",
    "TIM": "TIME",
    "VIT": "OBSA",
    "RXN": "REACT",
    "ACT": "BUS",
    "VOL": "DOSE",
    "REC": "VALIDAT",
}


def act_code(finding: Finding) -> Code:
    """The v3-ActCode of a finding; missing data is a validation issue whatever the rule."""
    family = finding.rule.partition("-")[0]
    by_family = ACT_CODE_OF_FAMILY.get(family, "BUS")
    code = ACT_CODE_OF_RULE.get(finding.rule, by_family) if finding.known else "VALIDAT"
    return (f"{HL7}/v3-ActCode", code, ACT_CODE_TEXT[code])


def group_code(group: Group) -> Code | None:
    """The ISBT 128 code of a group or label message.

    None where the group's code on the bag says more than the group did to us (a directed or
    autologous unit, a rare type): a default value in its place would drop a restriction.
    """
    if group.message is not None:
        return (f"{ISBT}/ABORhD", LABEL_MESSAGES[group.message], group.text)
    if group.restriction is not Restriction.NONE or group.abo is None:
        return None
    code = ABORHD.get((group.abo, group.rhd))
    return (f"{ISBT}/ABORhD", code, group.text) if code else None


def group_text(group: Group) -> str:
    """A group in the trade's standard words, with what restricts it."""
    if group.restriction is Restriction.NONE:
        return group.text
    return f"{group.text}, {group.restriction.value}"
