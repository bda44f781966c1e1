"""The FHIR bundle: read by the library, within R4, linked, coded, true to the case."""

from __future__ import annotations

import base64
import copy
import hashlib
import json
import subprocess
import sys
from importlib import import_module
from typing import Any, get_args
from xml.etree.ElementTree import fromstring

import pytest
from click.testing import CliRunner
from saved_case import saved, whole
from typical_case import Driver, barely_started, many_warnings, molar, two_canals
from ucumvert import get_ucum_parser

from assistant.commandline.main import main
from assistant.exchange import codes, r4, terminology
from assistant.exchange.check import bundle_findings, resources
from assistant.exchange.fhir import bundle, bundle_text
from assistant.progress import intents as it
from assistant.protocol.rule import Severity

EVERY = [two_canals, molar, barely_started, many_warnings, Driver]


def undone_and_redone() -> Any:
    """One entry taken back, one corrected, one step done again, one by the assistant."""
    case = Driver(demo=True).set_up(11, "single")
    case.mm(22.0)
    case.command("undo")
    case.mm(22.0)
    case.correct("mm", 21.5)
    case.do(it.WhoSpeaks(who="chairside"))
    case.choose("incisal_edge")
    case.command("back")
    case.choose("cusp_tip")
    return case


def of(found: Any, kind: str) -> Any:
    return [one for _, one in resources(found) if one["resourceType"] == kind]


def by_url(found: Any) -> Any:
    return {entry["fullUrl"]: entry["resource"] for entry in found["entry"]}


def observed(found: Any, code: str, canal: str | None = None) -> Any:
    return [
        one
        for one in of(found, "Observation")
        if one["code"]["coding"][0]["code"] == code
        and (canal is None or one["bodySite"]["text"].startswith(f"{canal} canal"))
    ]


def tooths(found: Any) -> Any:
    return f"urn:uuid:{of(found, 'Procedure')[0]['id']}"


def every(found: Any, key: str) -> Any:
    """All values of a key, anywhere."""
    if isinstance(found, list):
        return [value for one in found for value in every(one, key)]
    if not isinstance(found, dict):
        return []
    here = [found[key]] if key in found else []
    return here + [value for one in found.values() for value in every(one, key)]


@pytest.fixture(scope="module")
def typical() -> Any:
    return bundle(whole(two_canals()))


@pytest.mark.parametrize("case", [*EVERY, undone_and_redone])
def test_library_r4_links_and_codes_find_nothing_wrong(case: Any) -> None:
    assert bundle_findings(json.loads(bundle_text(whole(case())))) == []


@pytest.mark.parametrize("case", [two_canals, undone_and_redone])
def test_the_library_gives_back_what_it_read(case: Any) -> None:
    from fhir.resources.R4B.bundle import Bundle

    found = bundle(whole(case()))
    again = json.loads(Bundle.model_validate(found).model_dump_json())
    assert timeless(again) == timeless(found)


def timeless(value: Any) -> Any:
    """The same with fractions of seconds cut to what both write alike."""
    if isinstance(value, dict):
        return {name: timeless(one) for name, one in value.items()}
    if isinstance(value, list):
        return [timeless(one) for one in value]
    if isinstance(value, str) and value.startswith("2026-03-09T"):
        return value.replace("00000+", "+").replace(".000000", "")
    return value


def test_the_same_case_gives_the_same_bytes() -> None:
    again = bundle_text(whole(two_canals()))
    assert bundle_text(whole(two_canals())) == again
    assert bundle_text(whole(two_canals("Operator B"))) != again


def test_a_later_export_names_the_same_things_alike() -> None:
    case = Driver().set_up(24, "buccal", "palatal")
    case.mm(21.0)
    before = {one["id"]: one for one in of(bundle(whole(case)), "Observation")}
    case.choose("buccal_cusp")
    after = {one["id"]: one for one in of(bundle(whole(case)), "Observation")}
    assert before.keys() < after.keys()
    assert all(after[name] == one for name, one in before.items())


# -- R4 -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "kind", [k for k in r4.ELEMENTS if "." not in k and k != "SimpleQuantity"]
)
def test_the_table_of_r4_is_that_of_r4b(kind: str) -> None:
    """R4 and R4B have the same elements in all types used here (from memory of the list of
    changes in R4B, which names other resources); one forgotten here shows."""
    model = getattr(import_module(f"fhir.resources.R4B.{kind.lower()}"), kind)
    assert set(r4.ELEMENTS[kind]) == set(model.elements_sequence())


@pytest.mark.parametrize(
    ("spoil", "where", "what"),
    [
        # Elements that came with R5, of the same meaning as ones used here.
        (lambda b: of(b, "Procedure")[0].update(occurrencePeriod={}), "Procedure", "no such"),
        (lambda b: of(b, "Observation")[0].update(triggeredBy=[]), "Observation", "no such"),
        (lambda b: of(b, "DetectedIssue")[0].update(category=[]), "DetectedIssue", "no such"),
        (lambda b: of(b, "Observation")[0].update(status="done"), "status", "not one of"),
        (lambda b: of(b, "Observation")[0].pop("status"), "", "missing"),
        (lambda b: of(b, "DetectedIssue")[0].update(severity="urgent"), "severity", "not one"),
        (lambda b: of(b, "Observation")[0].update(note=[]), "note", "list"),
        (lambda b: b.update(timestamp="2026-03-09"), "timestamp", "instant"),
        (lambda b: b["entry"].pop(0), "", "leads to nothing"),
        (lambda b: b["entry"].append(b["entry"][0]), "fullUrl", "another entry"),
        (lambda b: b["entry"][0].update(fullUrl="urn:uuid:1"), "", "leads to nothing"),
        (lambda b: of(b, "Patient")[0].update(id="1"), "fullUrl", "resource's id"),
        (
            lambda b: of(b, "Observation")[9].update(
                subject=of(b, "Procedure")[1]["partOf"][0]
            ),
            "subject",
            "leads to a Procedure",
        ),
    ],
)
def test_a_spoilt_bundle_is_found_out(typical: Any, spoil: Any, where: str, what: str) -> None:
    found = copy.deepcopy(typical)
    spoil(found)
    wrong = bundle_findings(found)
    assert any(what in one.what and one.where.startswith("Bundle") for one in wrong), wrong
    assert any(where in str(one) for one in wrong)


@pytest.mark.parametrize("code", ["10", "19", "49", "51", "024", " 24", "2४", 24, None])
def test_only_permanent_teeth_pass(typical: Any, code: str) -> None:
    """ISO 3950: 11-18, 21-28, 31-38, 41-48 (51 to 85 are deciduous)."""
    found = copy.deepcopy(typical)
    of(found, "Procedure")[0]["bodySite"][0]["coding"][0]["code"] = code
    assert bundle_findings(found)


def test_every_permanent_tooth_passes(typical: Any) -> None:
    """ISO 3950."""
    found = copy.deepcopy(typical)
    of(found, "Procedure")[0]["bodySite"][0]["coding"] = [
        {"system": codes.ISO_3950, "code": f"{quadrant}{position}"}
        for quadrant in range(1, 5)
        for position in range(1, 9)
    ]
    assert bundle_findings(found) == []


# -- the kinds of bundle, and what a person reads ------------------------------


@pytest.mark.parametrize("kind", ["collection", "document", "transaction"])
@pytest.mark.parametrize("case", [two_canals, barely_started, Driver])
def test_every_kind_of_bundle_is_valid(case: Any, kind: Any) -> None:
    found = json.loads(bundle_text(whole(case()), kind=kind))
    assert found["type"] == kind
    assert bundle_findings(found) == []
    for entry in found["entry"]:
        assert ("request" in entry) is (kind == "transaction")


def test_every_resource_has_a_narrative_that_says_what_it_says() -> None:
    found = bundle(whole(undone_and_redone()), kind="document")
    for _, one in resources(found):
        if one["resourceType"] == "Binary":
            continue
        read = fromstring(one["text"]["div"])
        assert read.tag == "{http://www.w3.org/1999/xhtml}div"
        told = " ".join("".join(read.itertext()).split())
        assert told.startswith(f"{one['resourceType']}, invented demonstration data")
        if quantity := one.get("valueQuantity"):
            assert f"{quantity['value']} {quantity.get('unit', '')}".strip() in told
        if one["resourceType"] in {"Observation", "DetectedIssue"}:
            assert one["code"]["text"] in told
            assert one["status"] in told


def test_a_document_begins_with_its_composition() -> None:
    case = two_canals()
    found = bundle(whole(case), kind="document")
    first = found["entry"][0]["resource"]
    assert first["resourceType"] == "Composition"
    assert first["status"] == "final"
    assert [one["mode"] for one in first["attester"]] == ["legal"]
    assert [one["title"] for one in first["section"]] == [
        "Warnings",
        "Case",
        "Buccal",
        "Palatal",
    ]
    named = {ref["reference"] for part in first["section"] for ref in part.get("entry", ())}
    clinical = {"Procedure", "Observation", "DetectedIssue"}
    assert named == {
        url for url, one in by_url(found).items() if one["resourceType"] in clinical
    }
    begun = bundle(whole(barely_started()), kind="document")["entry"][0]["resource"]
    assert begun["status"] == "preliminary"
    assert "attester" not in begun


def test_the_encounter_is_the_sitting(typical: Any) -> None:
    (sitting,) = of(typical, "Encounter")
    assert (sitting["status"], sitting["class"]["code"]) == ("finished", "AMB")
    url = f"urn:uuid:{sitting['id']}"
    about = [*of(typical, "Procedure"), *of(typical, "Observation")]
    assert {one["encounter"]["reference"] for one in about} == {url}
    assert of(bundle(whole(barely_started())), "Encounter")[0]["status"] == "in-progress"


# -- units --------------------------------------------------------------------


def test_every_unit_is_ucum() -> None:
    """UCUM's own grammar and units, as the library ucumvert has them."""
    parser = get_ucum_parser()
    for code in codes.UNITS:
        parser.parse(code)
    with pytest.raises(Exception, match=r".+"):
        parser.parse("millimetre")


def test_every_number_of_a_case_has_its_unit(typical: Any) -> None:
    for quantity in [*every(typical, "valueQuantity"), *every(typical, "low")]:
        assert (quantity["system"], quantity["code"] in codes.UNITS) == (codes.UCUM, True)


def test_sizes_are_hundredths_of_a_millimetre_and_rises_are_kelvin(typical: Any) -> None:
    (size,) = observed(typical, "apical_size", "buccal")
    assert (size["valueQuantity"]["value"], size["valueQuantity"]["code"]) == (30, "10.um")
    rise = [
        part["valueRange"]["high"]["code"]
        for one in observed(typical, "heat")
        for part in one["component"]
        if part["code"]["coding"][0]["code"] == "surface-rise"
    ]
    assert rise == ["K"] * 4  # two cycles in each of two canals


# -- what it says -------------------------------------------------------------


def test_the_patient_is_a_code_and_no_more(typical: Any) -> None:
    (patient,) = of(typical, "Patient")
    assert set(patient) == {"resourceType", "id", "identifier", "text"}
    assert patient["text"]["div"].count("<p>") == 2  # what it is, and the code
    assert patient["identifier"][0]["value"] == "case-7"


def test_the_operator_is_named_once_and_entries_point_there(typical: Any) -> None:
    (person,) = of(typical, "Practitioner")
    assert person["name"] == [{"text": "Operator A"}]
    assert {one["display"] for one in every(typical, "practitioner")} == {"Operator A"}


def test_the_assistants_entries_are_hers() -> None:
    found = bundle(whole(undone_and_redone()))
    (edge, tip) = observed(found, "reference_point")
    for one in (edge, tip):
        role = by_url(found)[one["performer"][0]["reference"]]
        assert role["code"] == [{"text": "Chairside assistant"}]
        assert "practitioner" not in role


def test_each_canal_is_part_of_the_tooths_procedure(typical: Any) -> None:
    whole_tooth, *canals = of(typical, "Procedure")
    assert whole_tooth["bodySite"][0]["coding"][0]["code"] == "24"
    assert [one["bodySite"][0]["text"].split()[0] for one in canals] == ["buccal", "palatal"]
    for one in canals:
        assert by_url(typical)[one["partOf"][0]["reference"]] == whole_tooth
        used = [
            by_url(typical)[ref["reference"]]["type"]["text"] for ref in one["usedReference"]
        ]
        assert {"heat carrier", "apical plugger"} <= set(used)
    for one in of(typical, "Procedure"):
        assert "complication" not in one and "outcome" not in one
        assert one["note"][0]["text"].startswith("Warning")


@pytest.mark.parametrize(
    ("case", "procedure", "observation"),
    [(two_canals, "completed", "final"), (barely_started, "in-progress", "preliminary")],
)
def test_signed_is_final(case: Any, procedure: Any, observation: Any) -> None:
    found = bundle(whole(case()))
    assert {one["status"] for one in of(found, "Procedure")} == {procedure}
    assert observation in {one["status"] for one in of(found, "Observation")}
    attested = "attester" in {
        c["code"] for c in every(of(found, "Provenance"), "coding") for c in c
    }
    assert attested is (case is two_canals)


def test_taken_back_and_corrected_are_in_error_and_done_again_is_not() -> None:
    found = bundle(whole(undone_and_redone()))
    lengths = observed(found, "working_length_mm")
    assert [(one["valueQuantity"]["value"], one["status"]) for one in lengths] == [
        (22.0, "entered-in-error"),
        (22.0, "entered-in-error"),
        (21.5, "preliminary"),
    ]
    assert any("21.5 mm" in note["text"] for note in lengths[1]["note"])
    edges = observed(found, "reference_point")
    assert [one["status"] for one in edges] == ["preliminary", "preliminary"]


def test_demonstration_data_is_labelled_on_every_resource() -> None:
    found = bundle(whole(undone_and_redone()))
    assert all(one["meta"]["security"][0]["code"] == "HTEST" for _, one in resources(found))
    assert not every(bundle(whole(two_canals())), "meta")


def test_every_entry_warning_and_canal_is_there() -> None:
    case = whole(many_warnings())
    found = bundle(case)
    dictated = [one for one in of(found, "Observation") if "coding" in one["method"]]
    assert len(dictated) == len(case.state.entries)
    issues = of(found, "DetectedIssue")
    assert len(issues) == len(case.state.warnings) == 20
    said = [warning.text for warning in case.state.warnings]
    assert all(text in issue["detail"] for text, issue in zip(said, issues, strict=True))


def test_a_warning_points_at_the_value_that_tripped_it(typical: Any) -> None:
    deep = next(one for one in of(typical, "DetectedIssue") if "heard 17" in one["detail"])
    assert deep["severity"] == "high"
    about = by_url(typical)[deep["implicated"][0]["reference"]]
    assert about["valueQuantity"]["value"] == 17.0
    assert about["status"] == "entered-in-error"  # it was corrected to 16


def test_severities_cover_the_protocols() -> None:
    assert set(codes.SEVERITY) == set(get_args(Severity))
    assert set(codes.SEVERITY.values()) <= r4.DOMAINS["DetectedIssue", "severity"]


def test_what_is_computed_says_from_what(typical: Any) -> None:
    (limit,) = observed(typical, "depth-limit", "buccal")
    (length,) = [by_url(typical)[one["reference"]] for one in limit["derivedFrom"]]
    # 5 mm short of the final working length: the limit of protocols/warm-vertical.yaml
    assert length["code"]["coding"][0]["code"] == "final_working_length_mm"
    assert limit["valueQuantity"]["value"] == length["valueQuantity"]["value"] - 5.0
    (points,) = observed(typical, "paper-points", "buccal")
    read = [
        by_url(typical)[one["reference"]]["valueQuantity"]["value"]
        for one in points["derivedFrom"]
    ]
    spread, number = points["component"]
    assert sorted(read)[1] == points["valueQuantity"]["value"] == 21.1
    assert spread["valueQuantity"]["value"] == pytest.approx(max(read) - min(read))
    assert number["valueQuantity"]["value"] == len(read) == 3
    computed = [one for one in of(typical, "Observation") if "derivedFrom" in one]
    assert computed
    for one in computed:
        assert one["method"]["text"].startswith("Computed")
        assert one["derivedFrom"]


def test_levels_follow_the_increments(typical: Any) -> None:
    levels = [
        one["valueQuantity"]["value"] for one in observed(typical, "increment-level", "buccal")
    ]
    assert levels == [13.5, 10.5]  # 16.0 after the downpack, then 2.5 and 3.0 mm
    (top,) = observed(typical, "fill-level", "buccal")
    assert top["valueQuantity"]["value"] == 10.5


def test_no_temperature_but_computed_rises(typical: Any) -> None:
    warm = [one for one in of(typical, "Observation") if "K" in every(one, "code")]
    assert warm
    for one in warm:
        assert "not measured" in one["code"]["text"]
        assert "derivedFrom" in one
    assert "Cel" not in every(typical, "code")


def test_the_journal_is_inside_and_named_by_its_hash() -> None:
    case = whole(two_canals())
    found = bundle(case)
    (binary,) = of(found, "Binary")
    raw = base64.b64decode(binary["data"])
    assert raw == case.journal
    (provenance,) = of(found, "Provenance")
    what = provenance["entity"][0]["what"]
    assert by_url(found)[what["reference"]] == binary
    last = raw.splitlines(keepends=True)[-1]
    assert what["identifier"]["value"] == hashlib.sha256(last).hexdigest()
    bare = bundle(case, with_journal=False)
    assert of(bare, "Binary") == []
    assert bundle_findings(bare) == []
    targets = {one["reference"] for one in provenance["target"]}
    about = {"Procedure", "Observation", "DetectedIssue"}
    assert targets == {
        url for url, one in by_url(found).items() if one["resourceType"] in about
    }


def test_control_characters_and_odd_names_stay_valid() -> None:
    """FHIR strings hold no control characters; the journal keeps what was really given."""
    case = Driver("A\x00\x1b[2J\nB", code="\t../../x\u202e ")
    case.set_up(11, "single")
    found = bundle(whole(case))
    assert bundle_findings(json.loads(json.dumps(found))) == []
    assert b"\\u0000" in base64.b64decode(of(found, "Binary")[0]["data"])


def test_the_models_are_loaded_for_checking_only() -> None:
    code = "import sys, assistant.commandline.exchange, assistant.exchange.fhir; "
    code += "sys.exit(any(name.split('.')[0] == 'fhir' for name in sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# -- the codes, published -------------------------------------------------------

BASE = "https://practice.example/fhir"


@pytest.mark.parametrize("base", [None, BASE])
@pytest.mark.parametrize("case", [two_canals, many_warnings, undone_and_redone])
def test_every_code_of_a_bundle_is_in_a_published_system(case: Any, base: Any) -> None:
    one = case()
    text = bundle_text(whole(one), base=base)
    files = terminology.resources([one.state.protocol], base)
    published = {
        system["url"]: {concept["code"] for concept in system["concept"]}
        for system in files.values()
        if system["resourceType"] == "CodeSystem"
    }
    used: Any = {}
    for coding in [c for found in every(json.loads(text), "coding") for c in found]:
        used.setdefault(coding["system"], set()).add(coding["code"])
    ours = {s: c for s, c in used.items() if "fillwarm" in s}
    assert len(ours) >= 5
    for system, found in ours.items():
        assert found <= published[system], system
    assert ("urn:fillwarm" in text) is (base is None)


@pytest.mark.parametrize("kind", ["collection", "document", "transaction"])
def test_a_base_url_is_taken_off_again(kind: Any) -> None:
    case = whole(two_canals())
    based = json.loads(bundle_text(case, kind=kind, base=BASE))
    assert bundle_findings(based) == []
    assert terminology.as_urn(based) == bundle(case, kind=kind)


def test_systems_under_two_bases_are_not_taken_for_ours() -> None:
    found = json.loads(bundle_text(whole(barely_started()), base=BASE))
    of(found, "Patient")[0]["identifier"][0]["system"] = (
        "https://other.example/NamingSystem/fillwarm-case-code"
    )
    assert terminology.as_urn(found) == found


def test_the_maps_lead_to_the_codes_that_are_written() -> None:
    files = terminology.resources([two_canals().state.protocol], BASE)
    severity = files["ConceptMap-fillwarm-severity-map.json"]
    (group,) = severity["group"]
    assert group["source"] == f"{BASE}/CodeSystem/fillwarm-severity"
    led = {one["code"]: one["target"][0]["code"] for one in group["element"]}
    assert led == codes.SEVERITY
    assert severity["url"] == f"{BASE}/ConceptMap/fillwarm-severity-map"


def test_codes_are_written_beside_an_export(tmp_path: Any) -> None:
    folder = saved(two_canals(), tmp_path / "0001")
    words = [
        "export",
        str(folder),
        "--base-url",
        f"{BASE}/",
        "--codes",
        str(tmp_path / "codes"),
    ]
    for name in ("a.json", "b.json"):  # a second time the same files stay
        done = CliRunner().invoke(main, [*words, "--out", str(tmp_path / name)])
        assert done.exit_code == 0, done.output
    assert len(list((tmp_path / "codes").iterdir())) == 10
    assert f"{BASE}/CodeSystem/fillwarm-quantity" in (tmp_path / "a.json").read_text()
    taken = ["import", str(tmp_path / "a.json"), "--case", str(tmp_path / "in"), "--json"]
    assert json.loads(CliRunner().invoke(main, taken).stdout)["remarks"] == []
    assert CliRunner().invoke(main, ["check-record", str(tmp_path / "a.json")]).exit_code == 0
    bad = [*words, "--out", str(tmp_path / "c.json")]
    bad[3] = "not a url"
    done = CliRunner().invoke(main, bad)
    assert done.exit_code == 3
    assert "no base URL" in done.stderr
