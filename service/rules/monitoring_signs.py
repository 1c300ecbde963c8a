"""Which reported signs belong together (rules.md 5.1 and 5.2), by the words of the code map."""

CHILLS = frozenset({"chills", "rigors"})
RIGORS = frozenset({"rigors"})
FEVER = frozenset({"fever"})

# the seven skin and mucosal signs of the surveillance definition [S53]
ALLERGIC_SEVEN = frozenset(
    {
        "rash",
        "urticaria",
        "pruritus",
        "localized-angioedema",
        "lip-tongue-uvula-oedema",
        "periorbital-oedema",
        "conjunctival-oedema",
    }
)
# lip, tongue and uvula share one code: the airway counts until somebody says otherwise
AIRWAY_SWELLING = frozenset({"tongue-larynx-angioedema", "lip-tongue-uvula-oedema"})
SKIN = ALLERGIC_SEVEN | {"flushing", "tongue-larynx-angioedema"}

BREATHLESS = frozenset(
    {
        "dyspnoea",
        "orthopnoea",
        "wheeze",
        "bronchospasm",
        "stridor",
        "cyanosis",
        "respiratory-distress",
        "pulmonary-oedema",
    }
)
AIRWAY_OR_BREATHING = BREATHLESS | {"chest-tightness"}
SHORT_OF_BREATH = frozenset({"dyspnoea", "orthopnoea", "respiratory-distress", "pulmonary-oedema"})
BRONCHOSPASM_OR_LARYNX = frozenset({"bronchospasm", "stridor"})
SYNCOPE = frozenset({"syncope"})
SEVERE_GUT = frozenset({"gut-severe"})
SAID_HYPOTENSION = frozenset({"hypotension"})

PAIN = frozenset({"back-pain", "loin-pain", "chest-pain", "infusion-site-pain"})
DARK_URINE = frozenset({"dark-urine"})
BLEEDING = frozenset({"bleeding", "oozing"})
ANXIETY = frozenset({"anxiety"})

# criterion C of circulatory overload [S59][S60]
CARDIOVASCULAR = frozenset(
    {"tachycardia", "hypertension", "raised-venous-pressure", "peripheral-oedema"}
)
# gut signs that count as severe only when they were said to be severe
GRADED_GUT = frozenset({"vomiting", "diarrhoea"})
