(() => {
  "use strict";
  const tools = document.getElementById("tools");
  if (!tools) return;
  tools.hidden = false;
  const find = document.getElementById("find"), show = document.getElementById("show"), told = document.getElementById("told");
  const sheets = [...document.querySelectorAll("[data-search]")].map((node) => ({ node, text: node.dataset.search.toLowerCase(), tags: node.dataset.tags.split(" ") }));
  const apply = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean), tag = show.value;
    let count = 0;
    for (const sheet of sheets) {
      const fits = words.every((word) => sheet.text.includes(word)) && (!tag || sheet.tags.includes(tag));
      sheet.node.hidden = !fits;
      count += fits;
    }
    told.textContent = `${count} of ${sheets.length} patients shown`;
  };
  let wait;
  find.addEventListener("input", () => { clearTimeout(wait); wait = setTimeout(apply, 80); });
  show.addEventListener("change", apply);
  const reveal = () => {
    const target = location.hash && document.getElementById(location.hash.slice(1));
    if (target && target.closest("[data-search]") && target.closest("[data-search]").hidden) { find.value = ""; show.value = ""; apply(); target.scrollIntoView(); }
  };
  addEventListener("hashchange", reveal);
  let closed = [];
  addEventListener("beforeprint", () => { closed = [...document.querySelectorAll("details:not([open])")]; closed.forEach((d) => { d.open = true; }); });
  addEventListener("afterprint", () => closed.forEach((d) => { d.open = false; }));
  apply();
})();
