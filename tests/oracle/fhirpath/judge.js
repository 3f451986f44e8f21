// Reads one JSON case a line: {"resource": …, "cases": [expression, …]}; writes one line each: [[value, …] | {"error": text}, …].
// The package keeps numbers as JavaScript numbers; the caller compares decimals with that in mind.
"use strict";
const readline = require("readline");
const fhirpath = require("fhirpath");
const r4 = require("fhirpath/fhir-context/r4");

function plain(value) {
  if (value !== null && typeof value === "object" && typeof value.toJSON === "function") return value.toJSON();
  return value;
}

function one(resource, expression) {
  try {
    const found = fhirpath.evaluate(resource, expression, { resource, rootResource: resource }, r4, {
      traceFn: () => {},
    });
    return found.map(plain);
  } catch (error) {
    return { error: String(error && error.message ? error.message : error).slice(0, 200) };
  }
}

const lines = readline.createInterface({ input: process.stdin, crlfDelay: Infinity });
lines.on("line", (line) => {
  if (!line.trim()) return;
  const { resource, cases } = JSON.parse(line);
  process.stdout.write(JSON.stringify(cases.map((expression) => one(resource, expression))) + "\n");
});
