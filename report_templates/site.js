
// ---- Two hosts of a published site, cell by cell, from SITE (compare_data in report/sections)

const NOTE = "The latest figure of each cell that both hosts measured alike: footage, files, encoder options, "
  + "settings. Brackets: 95 % interval of the cell’s ratio, from those of its two figures (Zou & Donner 2008) "
  + "and 1 % that each run may differ by. A report of both runs pairs rounds, holds all intervals together and "
  + "gives a verdict.";

// How many times one figure is the other, with the interval by variance estimates recovery, as logs.
const logRatio = ([, , point, low, high], [, , point2, low2, high2]) => {
  const log = Math.log(point / point2);
  if (!(low > 0 && low2 > 0 && high && high2)) return [log];
  const below = Math.hypot(Math.log(point / low), Math.log(high2 / point2), SITE.spread);
  const above = Math.hypot(Math.log(high / point), Math.log(point2 / low2), SITE.spread);
  return [log, log - below, log + above];
};
const DIGITS = { minimumSignificantDigits: 3, maximumSignificantDigits: 3 };
const ratioText = (log) => Math.exp(log).toLocaleString("en", DIGITS);

const tableOf = (label, heads, rows) => { // as the page's own tables; a cell is [content, sort]
  const head = made("tr", {}, ...heads.map((textContent, k) => made("th", { scope: "col", className: k ? "number" : "" },
    made("button", { type: "button", textContent }))));
  const body = rows.map((row) => made("tr", {}, ...row.map(([content, sort], k) => {
    const cell = made(k ? "td" : "th", { className: k ? "number" : "" }, made("bdi", {}, content));
    if (!k) cell.scope = "row";
    if (sort !== undefined) cell.dataset.sort = sort;
    return cell;
  })));
  const table = made("table", {}, made("thead", {}, head), made("tbody", {}, ...body));
  const frame = made("div", { className: "table", tabIndex: 0 }, table);
  frame.setAttribute("role", "region");
  for (const part of [table, frame]) part.setAttribute("aria-label", label);
  return frame;
};

const compareTwo = (host, reference, place) => {
  const link = ([href, textContent, point]) => [made("a", { href, textContent }), point];
  const common = Object.keys(SITE.cells).filter((work) => host.cells[work] && reference.cells[work]);
  const tasks = new Map();
  const rows = common.map((work) => {
    const [task, name, isRate] = SITE.cells[work];
    const [mine, other] = [host.cells[work], reference.cells[work]];
    const logs = isRate ? logRatio(mine, other) : logRatio(other, mine);
    tasks.set(task, [...(tasks.get(task) ?? []), logs[0]]);
    const [point, low, high] = logs.map(ratioText);
    return [[name], link(mine), link(other), [low ? `${point} [${low}, ${high}]` : point, logs[0]]];
  });
  if (!rows.length) {
    place.replaceChildren(made("p", { textContent: "No cell was measured alike on both." }));
    return;
  }
  const means = [...tasks].map(([task, logs]) => {
    const values = [logs.reduce((sum, log) => sum + log, 0) / logs.length, Math.min(...logs), Math.max(...logs)];
    return [[task], ...values.map((log) => [ratioText(log), log]), [String(logs.length), logs.length]];
  });
  place.replaceChildren(
    made("h2", { textContent: `${host.name} against ${reference.name}` }),
    tableOf("By task", ["task", "times as fast (geometric mean)", "smallest", "largest", "common cells"], means),
    tableOf("By cell", ["cell", host.name, reference.name, "times as fast"], rows),
  );
  for (const table of place.querySelectorAll("table")) new SortableTable(table);
};

const choosers = ["Host", "against"].map((text) => {
  const select = made("select", {}, ...SITE.hosts.map(({ name }, value) => made("option", { value, textContent: name })));
  return made("label", {}, `${text} `, select);
});
const [chosen, against] = choosers.map((label) => label.lastChild);
const found = made("div");
const compareChosen = () => compareTwo(SITE.hosts[chosen.value], SITE.hosts[against.value], found);
for (const select of [chosen, against]) select.addEventListener("change", compareChosen);
const shared = (a, b) => Object.keys(a.cells).filter((work) => b.cells[work]).length;
const pairs = SITE.hosts.flatMap((a, k) => SITE.hosts.slice(0, k).map((b, j) => [shared(a, b), k, j]));
[, chosen.value, against.value] = pairs.sort((p, q) => q[0] - p[0])[0] ?? [0, 0, 0]; // most in common
document.getElementById("two").replaceChildren(
  made("p", { className: "choosers" }, ...choosers),
  made("p", { className: "basis", textContent: NOTE }),
  found,
);
compareChosen();
