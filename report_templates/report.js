// Sorts, folds and filters tables, and tells what a figure's mark stands for. Everything can be
// read without this script; it asks for nothing from outside the page.
"use strict";

const FOLD_FROM_ROWS = 16; // a longer table is folded
const FOLDED_ROWS = 10; // to so many rows
const REACH_PX = 16; // a pointer this near to a mark means it

const made = (name, properties = {}, ...children) => {
  const node = Object.assign(document.createElement(name), properties);
  node.append(...children);
  return node;
};

// ---- Tables

const wordsOf = (text) => text.toLowerCase().split(/\s+/).filter(Boolean);
const named = (row) => // what a row is called: its short texts, not its numbers
  [...row.querySelectorAll("th, td.text:not(.long)")].map((cell) => cell.textContent.toLowerCase()).join("\n");

class SortableTable {
  constructor(table) {
    this.table = table;
    this.body = table.tBodies[0];
    this.names = new Map([...this.body.rows].map((row) => [row, named(row)]));
    this.pageWords = [];
    this.isFolded = this.names.size > FOLD_FROM_ROWS;
    for (const head of table.tHead.rows[0].cells) // not in the page: a head with buttons is printed once
    { // the button keeps to the last word
      const words = head.textContent.split(" "), last = words.pop();
      const button = made("button", { type: "button", ariaLabel: `Sort by ${head.textContent}` });
      head.replaceChildren([...words, ""].join(" "), made("span", {}, last, button));
    }
    table.tHead.addEventListener("click", (event) => this.sort(event.target.closest("th")));
    if (this.isFolded) this.addUnfold();
    this.show();
  }

  sort(head) {
    if (!head) return;
    const isDown = head.getAttribute("aria-sort") === "ascending";
    for (const other of head.parentElement.cells) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", isDown ? "descending" : "ascending");
    const value = (row) => { // a text stands for itself, but a dash is a gap
      const cell = row.cells[head.cellIndex];
      const isText = cell.matches("th, .text") && cell.textContent !== "–";
      return cell.dataset.sort ?? (isText ? cell.textContent : undefined);
    };
    const compare = (a, b) => {
      const [x, y] = [value(a), value(b)];
      if (x === undefined || y === undefined) return (x === undefined) - (y === undefined); // gaps last
      const difference = Number(x) - Number(y);
      const order = Number.isNaN(difference) ? x.localeCompare(y) : difference;
      return isDown ? -order : order;
    };
    this.body.append(...[...this.body.rows].sort(compare));
    this.show();
  }

  addUnfold() {
    this.button = made("button", { type: "button", className: "unfold" });
    this.button.addEventListener("click", () => {
      this.isFolded = !this.isFolded;
      this.show();
    });
    this.table.parentElement.after(this.button);
  }

  // Hides what the filters leave out, then what is folded away; a filter unfolds.
  show() {
    const wanted = this.pageWords;
    const folds = this.isFolded && wanted.length === 0;
    this.shownCount = 0;
    for (const row of this.body.rows) {
      row.hidden = !wanted.every((word) => this.names.get(row).includes(word));
      if (!row.hidden) this.shownCount += 1;
      row.classList.toggle("folded", folds && this.shownCount > FOLDED_ROWS);
    }
    const all = this.names.size;
    if (this.button) {
      this.button.hidden = wanted.length > 0;
      this.button.textContent = this.isFolded ? `Show all ${all} rows` : `Show the first ${FOLDED_ROWS} rows`;
      this.button.setAttribute("aria-expanded", String(!this.isFolded));
    }
  }

  // Makes a row that something links to visible, whatever hides it.
  reveal(row) {
    if (row.hidden) this.pageWords = [];
    if (row.classList.contains("folded")) this.isFolded = false;
    this.show();
  }
}

const tables = [...document.querySelectorAll("table")]
  .filter((table) => table.tBodies.length)
  .map((table) => new SortableTable(table));

// ---- A filter for all tables at once

for (const place of document.querySelectorAll("nav .page-filter")) {
  const input = made("input", { type: "search", autocomplete: "off" });
  const said = made("span", { role: "status" });
  const mine = tables.filter((table) => place.closest("article").contains(table.table));
  input.addEventListener("input", () => {
    const wanted = wordsOf(input.value);
    for (const table of mine) {
      table.pageWords = wanted;
      table.show();
    }
    const sum = (count) => mine.reduce((total, table) => total + count(table), 0);
    said.textContent = wanted.length
      ? `${sum((t) => t.shownCount)} of ${sum((t) => t.names.size)} rows shown in ${mine.length} tables`
      : "";
  });
  place.append(made("label", {}, "Only rows with ", input), " ", said);
  place.hidden = false;
}

const reveal = () => {
  const row = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  const owner = row && tables.find((table) => table.names.has(row));
  if (!owner) return;
  for (let at = row.parentElement; at; at = at.parentElement) {
    if (at.matches("details")) at.open = true;
    if (at.matches(".panel")) at.parentElement.querySelector("input").checked = true;
  }
  owner.reveal(row);
  row.scrollIntoView({ block: "center" });
};
addEventListener("hashchange", reveal);
reveal();

// ---- Figures: a mark says what it stands for when pointed at or reached by keyboard

const tip = made("div", { className: "tip", hidden: true });
tip.setAttribute("aria-hidden", "true"); // readers have the mark's own name
document.body.append(tip);
let shown = null;

const hide = () => {
  shown?.classList.remove("shown");
  shown = null;
  tip.hidden = true;
};

const tell = (mark) => {
  if (mark === shown) return;
  hide();
  shown = mark;
  mark.classList.add("shown");
  tip.replaceChildren(
    ...mark.getAttribute("aria-label").split("; ").map((part) => made("span", { textContent: part })),
  );
  tip.hidden = false;
  const at = mark.getBoundingClientRect();
  const room = document.documentElement.clientWidth - tip.offsetWidth - 8;
  tip.style.left = `${Math.max(8, Math.min(at.x + at.width / 2 - tip.offsetWidth / 2, room)) + scrollX}px`;
  const above = at.y - tip.offsetHeight - 10;
  tip.style.top = `${(above > 0 ? above : at.bottom + 10) + scrollY}px`;
};

const distance = (mark, x, y) => {
  const at = mark.getBoundingClientRect();
  return Math.hypot(Math.max(at.left - x, 0, x - at.right), Math.max(at.top - y, 0, y - at.bottom));
};

const nearest = (marks, x, y) => {
  const [best] = marks
    .map((mark) => [distance(mark, x, y), mark])
    .sort((a, b) => a[0] - b[0]);
  return best && best[0] <= REACH_PX ? best[1] : null;
};

const readingOrder = (links) =>
  links
    .map((link) => [link.getBoundingClientRect(), link])
    .sort(([a], [b]) => (Math.abs(a.y + a.height / 2 - b.y - b.height / 2) > 4 ? a.y - b.y : a.x - b.x))
    .map(([, link]) => link);

const addKeys = (svg, links) => { // one stop for Tab; arrows go from link to link
  for (const link of links) link.setAttribute("tabindex", "-1");
  (links.find((link) => link.classList.contains("mark")) ?? links[0]).setAttribute("tabindex", "0");
  svg.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const end = { Home: 0, End: links.length - 1 }[event.key];
    if (event.key === "Escape") hide();
    if (step === undefined && end === undefined) return;
    event.preventDefault();
    const order = readingOrder(links);
    const from = order.indexOf(document.activeElement.closest("a"));
    const to = end ?? Math.min(Math.max(from + step, 0), links.length - 1);
    for (const link of links) link.setAttribute("tabindex", "-1");
    order[to].setAttribute("tabindex", "0");
    order[to].focus();
  });
};

for (const svg of document.querySelectorAll("figure svg")) {
  const links = [...svg.querySelectorAll("a")];
  const marks = links.filter((link) => link.classList.contains("mark"));
  if (!links.length) continue;
  for (const mark of marks) mark.querySelector("title")?.remove(); // the tip takes its place
  addKeys(svg, links);
  svg.addEventListener("focusin", (event) => {
    const mark = event.target.closest("a.mark");
    // a finger's focus is not meant: its click decides
    if (mark && event.target.matches(":focus-visible")) tell(mark);
    else hide();
  });
  svg.addEventListener("focusout", hide);
  svg.addEventListener("pointermove", (event) => {
    if (event.pointerType === "touch") return;
    const mark = event.target.closest("a.mark") ?? nearest(marks, event.clientX, event.clientY);
    if (mark) tell(mark);
    else hide();
  });
  svg.addEventListener("pointerleave", (event) => {
    if (event.pointerType !== "touch") hide();
  });
  svg.addEventListener("click", (event) => { // with a finger: first what it is, then where it leads
    if (event.pointerType !== "touch" || event.target.closest("a:not(.mark)")) return;
    const mark = event.target.closest("a.mark") ?? nearest(marks, event.clientX, event.clientY);
    if (mark && mark === shown && event.target.closest("a.mark")) return;
    event.preventDefault();
    if (mark) tell(mark);
    else hide();
  });
}

for (const article of document.querySelectorAll("article")) {
  const caption = [...article.querySelectorAll("figure")]
    .find((figure) => figure.querySelector("a.mark"))
    ?.querySelector("figcaption");
  caption?.append(
    made("span", {
      className: "hint",
      textContent: " Point at a mark, or go from mark to mark with the arrow keys, to read its numbers; it leads to its row below.",
    }),
  );
}
