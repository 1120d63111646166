
// ---- Two hosts of a published site, cell by cell, from SITE (see compare_data); the page's own
// table stands where this does not run.

const logRatio = (a, b) => { // of costs; the interval by variance estimates recovery (Zou & Donner 2008)
  const [point, belowA, aboveA] = [a[2] - b[2], a[3], a[4]];
  if ([belowA, aboveA, b[3], b[4]].includes(null)) return [point];
  return [point, point - Math.hypot(belowA, b[4], SITE.spread), point + Math.hypot(aboveA, b[3], SITE.spread)];
};
const ratioText = (log) => Number(Math.exp(log).toPrecision(3)).toString();
const linkTo = ([address, text]) => made("a", { href: address, textContent: text });
const tableOf = (id, heads, rows) => { // as the page's own tables
  const head = made("tr", {}, ...heads.map((text, k) =>
    made("th", { scope: "col", className: k ? "number" : "" }, made("button", { type: "button", textContent: text }))));
  const body = rows.map((row) => made("tr", {}, ...row.map((content, k) => {
    const cell = made(k ? "td" : "th", { className: k ? "number" : "" }, made("bdi", {}, content.node ?? content));
    if (!k) cell.scope = "row";
    if (content.sort !== undefined) cell.dataset.sort = content.sort;
    return cell;
  })));
  const table = made("table", { id }, made("thead", {}, head), made("tbody", {}, ...body));
  table.setAttribute("aria-label", heads[0]);
  const frame = made("div", { className: "table", tabIndex: 0 }, table);
  frame.setAttribute("role", "region");
  frame.setAttribute("aria-label", heads[0]);
  return frame;
};

const compareTwo = (a, b, place) => { // what b does against a
  const common = Object.keys(SITE.cells).filter((work) => a.cells[work] && b.cells[work]);
  const rows = common.map((work) => {
    const ratio = logRatio(a.cells[work], b.cells[work]);
    const [point, low, high] = ratio.map(ratioText);
    const text = low === undefined ? point : `${point} [${low}, ${high}]`;
    return { task: SITE.cells[work][0], log: ratio[0], row: [
      SITE.cells[work][1],
      { node: linkTo(a.cells[work]), sort: a.cells[work][2] },
      { node: linkTo(b.cells[work]), sort: b.cells[work][2] },
      { node: text, sort: ratio[0] },
    ] };
  });
  const tasks = [...new Set(rows.map((row) => row.task))].map((task) => {
    const logs = rows.filter((row) => row.task === task).map((row) => row.log);
    const mean = logs.reduce((sum, log) => sum + log, 0) / logs.length;
    return [task, ratioText(mean), ratioText(Math.min(...logs)), ratioText(Math.max(...logs)), String(logs.length)];
  });
  if (!rows.length) {
    place.replaceChildren(made("p", { textContent: "No cell was measured alike on both." }));
    return;
  }
  place.replaceChildren(
    tableOf("tasks", ["task", `${b.name}, times as fast`, "smallest", "largest", "common cells"], tasks),
    tableOf("two", ["cell", a.name, b.name, "times as fast"], rows.map((row) => row.row)),
  );
  for (const table of place.querySelectorAll("table")) new SortableTable(table);
};

const choosers = ["Host", "against"].map((text, k) => {
  const select = made("select", { id: `host-${k}` }, ...SITE.hosts.map((host, value) =>
    made("option", { value, textContent: host.name })));
  return [select, made("label", {}, `${text} `, select)];
});
const [chosen, reference] = choosers.map(([select]) => select);
const found = made("div");
found.setAttribute("aria-live", "polite");
const compareChosen = () => compareTwo(SITE.hosts[reference.value], SITE.hosts[chosen.value], found);
for (const [select] of choosers) select.addEventListener("change", compareChosen);
chosen.value = Math.min(1, SITE.hosts.length - 1);
document.querySelector("article > nav").after(
  made("p", { className: "choosers" }, choosers[0][1], " ", choosers[1][1]),
  made("p", { className: "basis", textContent: SITE.note }),
  found,
);
compareChosen();
