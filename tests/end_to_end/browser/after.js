// Runs after everything of the page: reads it as a reader's browser has it, and has it checked for accessibility.
const texts = (selector) => [...document.querySelectorAll(selector)].map((one) => one.textContent.trim());
const rows = (selector, key, cells) =>
  Object.fromEntries(
    [...document.querySelectorAll(selector)].map((row) => [
      row.dataset[key],
      Object.fromEntries([...row.querySelectorAll(cells)].map((cell) => [cell.dataset.figure ?? cell.dataset.column, cell.textContent.trim()])),
    ]),
  );
const handlers = [...document.querySelectorAll("*")].flatMap((one) =>
  [...one.attributes].filter((attribute) => attribute.name.startsWith("on")).map((attribute) => attribute.name),
);
const smallest = Math.min(
  ...[...document.querySelectorAll("main *")]
    .filter((one) => [...one.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && node.textContent.trim()))
    .filter((one) => one.getClientRects().length > 0)
    .map((one) => parseFloat(getComputedStyle(one).fontSize)),
);
const drawn = [...document.querySelectorAll("figure.chart svg")].filter((svg) => {
  const box = svg.getBoundingClientRect();
  return box.width > 100 && box.height > 50 && svg.querySelector(".middle, .play").getTotalLength() > 0;
});
const seen = {
  title: document.title,
  headings: [...document.querySelectorAll("h1,h2,h3,h4,h5,h6")].map((one) => [Number(one.tagName[1]), one.textContent.trim()]),
  verdict: [...document.querySelectorAll("[data-verdict]")].map((one) => one.dataset.verdict),
  groups: Object.fromEntries([...document.querySelectorAll("[data-group]")].map((one) => [one.dataset.group, one.querySelector(".word").textContent.trim()])),
  sentences: texts(".sentence"),
  quantities: rows("tr[data-quantity]", "quantity", "[data-figure]"),
  events: rows("tr[data-event]", "event", "[data-column]"),
  charts: [...document.querySelectorAll("figure.chart")].map((one) => one.dataset.chart),
  drawn: drawn.length,
  minutes: document.querySelectorAll(".strip svg").length,
  bands: Object.fromEntries(
    [...document.querySelectorAll("table[data-table]")].map((table) => [
      table.dataset.table,
      [...table.querySelectorAll("tbody tr")].map((row) => [...row.cells].map((cell) => cell.textContent.trim())),
    ]),
  ),
  points: Object.fromEntries(
    [...document.querySelectorAll("figure.chart[id] .middle")].map((path) => [
      path.closest("figure").id,
      (path.getAttribute("d").match(/[ML]/g) ?? []).length,
    ]),
  ),
  facts: texts("dd"),
  scripts: document.querySelectorAll("script:not([data-check])").length,
  handlers,
  executed: window.executed === undefined ? null : String(window.executed),
  widths: [document.documentElement.scrollWidth, document.documentElement.clientWidth],
  smallest,
  dark: matchMedia("(prefers-color-scheme: dark)").matches,
  problems: window.problems,
};
const tell = (violations) => {
  seen.violations = violations;
  seen.pictures = [...document.querySelectorAll("figure[data-event] img")].map((one) => ({
    event: one.closest("figure").dataset.event,
    alt: one.alt,
    width: one.naturalWidth,
    height: one.naturalHeight,
  }));
  seen.stills = [...document.querySelectorAll("figure[data-still]")].map((one) => {
    const picture = one.querySelector("img");
    const box = picture.getBoundingClientRect();
    return {
      kind: one.dataset.still,
      alt: picture.alt,
      caption: one.querySelector("figcaption").textContent.trim(),
      width: picture.naturalWidth,
      height: picture.naturalHeight,
      shape: box.width / box.height,
    };
  });
  const text = JSON.stringify(seen);
  if (window.parent !== window) {
    window.parent.postMessage(text, "*");
    return;
  }
  const place = document.createElement("pre");
  place.id = "seen";
  place.textContent = text;
  document.body.append(place);
};
axe.run(document, { resultTypes: ["violations", "incomplete"] }).then(
  (result) =>
    tell(
      result.violations.map((one) => `${one.id} (${one.impact}): ${one.help}; ${one.nodes.length} places, first ${one.nodes[0].html}`),
    ),
  (error) => tell([`axe failed: ${error}`]),
);
