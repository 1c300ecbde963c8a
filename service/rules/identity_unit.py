"""The unit in hand: bag, compatibility label, order and focus agree (ID-06, ID-12, ID-13)."""

from service.facts.finding import Finding, Verdict
from service.facts.steps import BagLabel, CompatibilityLabel
from service.facts.unit import Component, Group, UnitRef
from service.rules.context import Also, PreStart, Stating
from service.rules.identity_band import unique_numbers
from service.rules.planned import orders_of
from service.rules.supplied import bags, is_emergency_stock, supplied

CHECK_CHARACTER = "check character"
PARTS = ("din", "product", "division")
Difference = tuple[str, tuple[tuple[str, str], ...]]


def unit_label(pre: PreStart) -> tuple[Finding, ...]:
    """ID-06: the scanned bag decides; whatever else names a unit or its group must agree."""
    bag = read_bag(pre)
    differences = _differences(pre, bag)
    say, facts = Stating(pre, "ID-06"), _facts(pre)
    if differences:
        reason = differences[0][0]
        text = f"The bag differs from what else names the unit: {_words(differences)}."
        shown = tuple(pair for _, pairs in differences for pair in pairs)
        return say.failed(reason, text, also=Also(facts=facts, shown=shown))
    if pre.check is None:
        return ()
    lacking = _lacking(pre, pre.check.body.label, bag)
    if lacking:
        text = f"Bag and label cannot be compared without {', '.join(lacking)}."
        return say.missing("unit-not-read", text, lacking, also=Also(facts=facts))
    text = "Bag, label, order and record name the same unit and group."
    return say.passed("unit-matches", text, also=Also(facts=facts))


def check_character(pre: PreStart) -> tuple[Finding, ...]:
    """ID-12: ISO 7064 mod 37-2 over the donation number, where a check character was read."""
    label = pre.check.body.label if pre.check is not None else None
    faults = [fault for bag in bags(pre) for fault in _faults(bag)]
    faults += [label.din_fault] if label is not None and label.din_fault else []
    failed = tuple(fault for fault in faults if CHECK_CHARACTER in fault.lower())
    say = Stating(pre, "ID-12")
    if failed:
        shown = tuple(("donation number", fault) for fault in failed)
        text = "A donation number does not agree with its check character."
        return say.failed("din-check-failed", text, also=Also(shown=shown))
    if any(bag.scanned for bag in bags(pre)):
        return say.passed("din-scanned", "The donation number was scanned without fault.")
    if not bags(pre):
        return ()
    text = "The donation number was keyed without its check character."
    return say.missing("din-not-checked", text, ("check character",))


def emergency_stock(pre: PreStart) -> tuple[Finding, ...]:
    """ID-13: stock of the emergency refrigerator, without patient label and issue [S97]."""
    if pre.check is None or not is_emergency_stock(pre):
        return ()
    unit, step = supplied(pre), pre.check.body
    say, also = Stating(pre, "ID-13"), Also(facts=_facts(pre))
    said = {
        "unit ABO group": unit.abo,
        "donation number on the bag": read_bag(pre).unit.din,
        "expiry": _expiry(pre),
        "appearance": step.appearance,
        "identifier on the band": unique_numbers(pre),
    }
    lacking = tuple(name for name, value in said.items() if not value)
    if unit.abo not in (None, "O") or unit.component is not Component.RED_CELLS:
        text = "Emergency stock that is not group O red cells has neither label nor issue."
        reason = "emergency-stock-not-group-o"
        return say.failed(reason, text, verdict=Verdict.REFUSE, also=also)
    if lacking:
        text = f"Emergency stock without label and issue needs {', '.join(lacking)}."
        return say.missing("emergency-stock-incomplete", text, lacking, also=also)
    text = "Emergency stock without patient label and issue: tell the blood bank who gets it."
    return say.failed("emergency-stock", text, also=also)


def read_bag(pre: PreStart) -> BagLabel:
    """The bag's own label as read at the check, else at the start; empty when never read."""
    return next(iter(bags(pre)), BagLabel())


def _facts(pre: PreStart) -> tuple[str, ...]:
    facts = (*pre.unit.described, *pre.orders, pre.check, pre.start)
    return tuple(sorted({fact.key for fact in facts if fact is not None}))


def _words(differences: list[Difference]) -> str:
    return ", ".join(dict.fromkeys(reason.removesuffix("-mismatch") for reason, _ in differences))


def _faults(bag: BagLabel) -> tuple[str, ...]:
    return (*bag.faults, *(scan.fault for scan in bag.scans if scan.fault))


def _expiry(pre: PreStart) -> object:
    dates = (read_bag(pre).expiry, *(fact.body.expiry for fact in pre.unit.described))
    return next((date for date in dates if date is not None), None)


def _differences(pre: PreStart, bag: BagLabel) -> list[Difference]:
    label = (pre.check.body.label if pre.check is not None else None) or CompatibilityLabel()
    printed = UnitRef(din=label.din, product=label.product, division=label.division)
    found = _parts(bag.unit, printed, "label")
    for step in (pre.check, pre.start):
        found += _focus(pre, step.body.focus if step is not None else None, bag.unit)
    for fact in pre.unit.described:
        found += _collection(bag.unit, fact.body.unit)
        found += _group(bag.group, fact.body.group, "record")
    return [*found, *_ordered(pre, bag.unit), *_group(bag.group, label.unit_group, "label")]


def _parts(bag: UnitRef, other: UnitRef, where: str) -> list[Difference]:
    """Donation number, product and division, each where both sides say it."""
    found: list[Difference] = []
    for part in PARTS:
        read, said = getattr(bag, part), getattr(other, part)
        if read and said and read != said:
            pair = ((f"{part} on the bag", read), (f"{part} on the {where}", said))
            found.append((f"{part}-mismatch" if where == "label" else f"{where}-mismatch", pair))
    return found


def _focus(pre: PreStart, focus: UnitRef | None, bag: UnitRef) -> list[Difference]:
    if focus is None:
        return []
    key = pre.case.unit_of(focus)
    meant = (
        focus if key is None else UnitRef(din=key.din, product=key.product, division=key.division)
    )
    return [*_parts(bag, meant, "focus"), *_collection(bag, focus)]


def _collection(bag: UnitRef, other: UnitRef) -> list[Difference]:
    read, said = bag.collection, other.collection
    if not read or not said or read == said:
        return []
    shown = (("collection type on the bag", read), ("collection type elsewhere", said))
    return [("collection-mismatch", shown)]


def _group(bag: Group | None, other: Group | None, where: str) -> list[Difference]:
    if bag is None or other is None:
        return []
    pairs = ((bag.abo, other.abo), (bag.rhd, other.rhd))
    if all(read is None or said is None or read == said for read, said in pairs):
        return []
    return [
        ("group-mismatch", (("group on the bag", bag.text), (f"group on the {where}", other.text)))
    ]


def _ordered(pre: PreStart, bag: UnitRef) -> list[Difference]:
    """The product on the bag is the product ordered, by code or by component."""
    orders = [order.body for order in orders_of(pre)]
    codes = {order.product for order in orders if order.product}
    kinds = {order.component for order in orders if order.component}
    component = supplied(pre).component
    if bag.product and codes and bag.product not in codes:
        wanted = ", ".join(sorted(codes))
        return [("product-not-ordered", (("product on the bag", bag.product), ("ordered", wanted)))]
    if component is not None and kinds and component not in kinds:
        wanted = ", ".join(sorted(kinds))
        return [("product-not-ordered", (("component", component), ("ordered", wanted)))]
    return []


def _lacking(pre: PreStart, label: CompatibilityLabel | None, bag: BagLabel) -> tuple[str, ...]:
    """What could not be compared; a label not read at all is ID-05's to say."""
    said: dict[str, object] = {
        "donation number on the bag": bag.unit.din,
        "product code on the bag": bag.unit.product,
        "division of the unit": pre.unit.key,
        "group on the bag": bag.group is not None and (bag.group.abo or bag.group.pooled),
        "a scan or number that may be used": not _unusable(bag, label),
    }
    if label is not None and not is_emergency_stock(pre):
        printed = label.unit_group
        said["donation number on the label"] = label.din
        said["unit group on the label"] = printed is not None and (printed.abo or printed.pooled)
        said["RhD type on bag and label"] = _rhd_compares(pre, bag.group, printed)
    return tuple(name for name, value in said.items() if not value)


def _unusable(bag: BagLabel, label: CompatibilityLabel | None) -> list[str]:
    """Faults other than a failed check character, which is ID-12's."""
    faults = [*_faults(bag), *([label.din_fault] if label and label.din_fault else [])]
    return [fault for fault in faults if CHECK_CHARACTER not in fault.lower()]


def _rhd_compares(pre: PreStart, bag: Group | None, label: Group | None) -> bool:
    """RhD said on both sides or on neither; plasma and cryoprecipitate need none."""
    kinds = (Component.PLASMA, Component.CRYOPRECIPITATE)
    if bag is None or label is None or supplied(pre).component in kinds:
        return True
    return (bag.rhd is None) == (label.rhd is None)
