// One JSON question a line on stdin, one answer a line on stdout.
// {"unit": "cm2"} -> {"valid": true};  {"from": "L", "to": "mL", "value": 1.5} -> {"value": 1500} or {"value": null}
const { UcumLhcUtils } = require("@lhncbc/ucum-lhc");
const utils = UcumLhcUtils.getInstance();
require("readline").createInterface({ input: process.stdin }).on("line", (line) => {
  const ask = JSON.parse(line);
  if ("unit" in ask) {
    const answer = utils.validateUnitString(ask.unit);
    console.log(JSON.stringify({ valid: answer.status === "valid" }));
  } else {
    const answer = utils.convertUnitTo(ask.from, ask.value, ask.to);
    console.log(JSON.stringify({ value: answer.status === "succeeded" ? answer.toVal : null }));
  }
});
