// The repertoire's lines as a tree (ARIA tree pattern: one tab stop, arrow keys), with the findings where they sit.
const TREE = DATA.tree;
const LINES = { open: new Set(), opened: false, sums: null, findings: [], rows: new Map(), current: null };

TREE.down = TREE.up.map(() => []);
TREE.ply = [];
TREE.root = [];
TREE.up.forEach((parent, node) => {
  TREE.root[node] = parent < 0 ? node : TREE.root[parent];
  TREE.ply[node] = parent < 0 ? 0 : TREE.ply[parent] + 1;
  if (parent >= 0) TREE.down[parent].push(node);
});
TREE.roots = Object.keys(TREE.starts).map(Number);
TREE.first = Object.fromEntries(TREE.roots.map((root) => [root, readFen(TREE.starts[root])]));

function pathTo(node) {
  const path = [];
  for (; node >= 0; node = TREE.up[node]) path.push(node);
  return path.reverse();
}

function positionOf(node) {
  const [root, ...moves] = pathTo(node);
  return moves.reduce((position, step) => play(position, TREE.uci[step]), TREE.first[root]);
}

// The move of a node with its number; a white move and the first of a row always carry one.
function treeMove(node, first) {
  const { white, number } = TREE.first[TREE.root[node]];
  const plies = TREE.ply[node] - 1 + (white ? 0 : 1);
  return moveText({ white: plies % 2 === 0, number: number + (plies >> 1) }, TREE.san[node], first);
}

// For each node: the findings there, and of its whole branch how many of each kind, their toll, and the worst of them.
function sumTree(findings) {
  const sums = TREE.up.map(() => null);
  const at = (node) => sums[node] || (sums[node] = { here: [], kinds: {}, count: 0, toll: 0, worst: 0, positions: 0 });
  for (const finding of findings) {
    const sum = at(finding.node), toll = here(finding.tolls);
    sum.here.push(finding);
    sum.kinds[finding.section] = (sum.kinds[finding.section] || 0) + 1;
    sum.count++;
    sum.toll += toll;
    sum.worst = Math.max(sum.worst, toll);
  }
  for (let node = TREE.up.length - 1; node >= 0; node--) {
    const parent = TREE.up[node], sum = sums[node];
    if (!sum) continue;
    sum.here.sort((a, b) => here(a.places.toll) - here(b.places.toll));
    if (parent < 0) continue;
    const above = at(parent);
    for (const [kind, count] of Object.entries(sum.kinds)) above.kinds[kind] = (above.kinds[kind] || 0) + count;
    above.count += sum.count;
    above.toll += sum.toll;
    above.worst = Math.max(above.worst, sum.worst);
  }
  return sums;
}

function countWords(sum) {
  return DATA.kinds.filter((kind) => sum.kinds[kind]).map((kind) =>
    sum.kinds[kind] + " " + kind + (sum.kinds[kind] > 1 && !["unsound", "positional", "forgone", "disputed"].includes(kind) ? "s" : "")).join(", ");
}

function branches(node) {
  return TREE.down[node].filter((child) => LINES.sums[child] || (!STATE.found && child < TREE.beyond));
}

// A stretch without a fork, a finding or a join is one row: the nodes from `first` to where it ends.
function stretch(first) {
  const nodes = [first];
  for (let last = first; ; nodes.push(last)) {
    const below = branches(last);
    if (below.length !== 1 || TREE.up[last] < 0 || (LINES.sums[last] && LINES.sums[last].here.length) || last in TREE.joins) return nodes;
    [last] = below;
  }
}

// --- rows ------------------------------------------------------------------------------------------------------------
// A row is the tree item; its list item holds it and the group below it.
function rowOf(key, level, content, info) {
  const row = el("div", { role: "treeitem", className: "row", id: "row-" + key, tabIndex: -1, "aria-level": level }, ...content);
  row.info = { key, level, ...info };
  LINES.rows.set(key, row);
  return row;
}

function listItem(row) {
  return el("li", { role: "none" }, row);
}

// How much of all the toll lies in a branch: a bar beside its words.
function shareBar(sum) {
  const share = LINES.total ? sum.toll / LINES.total : 0;
  return svg("svg", { class: "share", viewBox: "0 0 60 8", width: 60, height: 8, "aria-hidden": "true" },
    svg("rect", { x: 0, y: 3, width: 60, height: 2, class: "whole" }),
    svg("rect", { x: 0, y: 0, width: Math.max(1, 60 * share).toFixed(1), height: 8, class: "part" }));
}

function branchItem(first, level) {
  const nodes = stretch(first), last = nodes[nodes.length - 1], sum = LINES.sums[first];
  const root = TREE.up[first] < 0;
  const words = root ? "From " + TREE.starts[first] : nodes.map((node, index) => treeMove(node, index === 0)).join(" ");
  const content = [el("bdi", { className: last >= TREE.beyond ? "path past" : "path", textContent: words })];
  if (sum) {
    content.push(el("small", { textContent: `${countWords(sum)}; toll ${points(sum.toll)}` +
      (sum.count > 1 ? `, worst ${points(sum.worst)}` : "") }), shareBar(sum));
  }
  if (last in TREE.joins) content.push(el("small", { className: "joins", textContent: "goes on at " + lineWords(TREE.joins[last]) }));
  const row = rowOf("n" + first, level, content, { node: last, first, joins: TREE.joins[last] });
  const item = listItem(row);
  if (branches(last).length || (LINES.sums[last] && LINES.sums[last].here.length)) {
    row.setAttribute("aria-expanded", "false");
    if (LINES.open.has(first)) setOpen(row, true);
  }
  return item;
}

// What lies below a branch: the findings where it ends, then the moves from there.
function groupBelow({ node, level, key }) {
  const group = el("ul", { role: "group", id: "below-" + key });
  if (LINES.sums[node]) for (const finding of LINES.sums[node].here) group.append(findingItem(finding, level + 1));
  for (const child of branches(node)) group.append(branchItem(child, level + 1));
  return group;
}

function findingItem(finding, level) {
  const row = rowOf("f" + finding.index, level, [el("span", { className: "kind", textContent: finding.kind }),
    el("bdi", { className: "title", textContent: finding.title }), el("small", { textContent: "toll " + here(finding.figures.toll) })],
  { node: finding.node, finding });
  row.classList.add("leaf");
  return listItem(row);
}

// The last moves of the way to a node, enough to know it by.
function lineWords(node) {
  const moves = pathTo(node).slice(1), shown = moves.slice(-3);
  return (moves.length > shown.length ? "… " : "") + shown.map((step, index) => treeMove(step, index === 0)).join(" ");
}

function setOpen(row, open) {
  row.setAttribute("aria-expanded", String(open));
  const group = row.nextElementSibling;
  if (open) {
    LINES.open.add(row.info.first);
    if (!group) row.after(groupBelow(row.info));
    row.setAttribute("aria-owns", "below-" + row.info.key);
  } else {
    LINES.open.delete(row.info.first);
    row.removeAttribute("aria-owns");
    if (group) group.remove();
  }
}

// --- the whole tree --------------------------------------------------------------------------------------------------
function drawTree(findings) {
  const box = $("lines"), focused = box.contains(document.activeElement) && LINES.current;
  LINES.sums = sumTree(findings);
  LINES.total = TREE.roots.reduce((total, root) => total + (LINES.sums[root] ? LINES.sums[root].toll : 0), 0);
  if (!LINES.opened) openWorst();
  LINES.rows.clear();
  const list = el("ul", { role: "tree", "aria-labelledby": "h-tree" });
  for (const root of TREE.roots) {
    if (STATE.found && !LINES.sums[root]) continue;
    if (TREE.starts[root] === DATA.standard && TREE.roots.length === 1) {
      for (const finding of LINES.sums[root] ? LINES.sums[root].here : []) list.append(findingItem(finding, 1));
      for (const child of branches(root)) list.append(branchItem(child, 1));
    } else list.append(branchItem(root, 1));
  }
  box.replaceChildren(list);
  const first = list.querySelector("[role=treeitem]");
  if (first) stand(LINES.rows.get(LINES.current) || first, Boolean(focused));
  else list.removeAttribute("role");
}

// At first the tree is open down to the finding with the highest toll.
function openWorst() {
  LINES.opened = true;
  for (const root of TREE.roots) {
    let node = root;
    while (node !== undefined) {
      LINES.open.add(node);
      const below = TREE.down[node].filter((child) => LINES.sums[child]);
      node = below.sort((a, b) => LINES.sums[b].worst - LINES.sums[a].worst)[0];
    }
  }
}

function openAll(open) {
  if (open) TREE.up.forEach((parent, node) => LINES.open.add(node));
  else LINES.open.clear();
  LINES.opened = true;
  refresh();
}

// Make a row the one tab stop, and show its position.
function stand(row, focus) {
  const before = LINES.rows.get(LINES.current);
  if (before) before.tabIndex = -1;
  row.tabIndex = 0;
  LINES.current = row.info.key;
  if (focus) row.focus();
  showPosition(row.info);
}

function showPosition({ node, finding }) {
  const sum = LINES.sums[node], position = positionOf(node);
  const slips = finding ? [finding] : sum ? sum.here.slice(0, 3) : [];
  const flip = (DATA.findings.length ? CARDS[(finding || DATA.findings[0]).index].below : "white") === "black";
  const shown = slips.map((one) => [one.plays[0].moves[0][1], "slip"]);
  drawBoard($("tree-board"), position, { flip, moves: shown });
  $("tree-words").textContent = TREE.up[node] < 0 ? "The start." : lineWords(node);
}

function goTo(node) {
  for (const step of pathTo(node)) LINES.open.add(step);
  refresh();
  const way = pathTo(node).reverse();
  const key = way.map((step) => "n" + step).find((one) => LINES.rows.has(one));
  if (key) stand(LINES.rows.get(key), true);
}

function act(row) {
  const { finding, joins } = row.info;
  if (finding) showFinding(finding);
  else if (row.hasAttribute("aria-expanded")) setOpen(row, row.getAttribute("aria-expanded") !== "true");
  else if (joins !== undefined) goTo(joins);
}

function treeKey(event) {
  const row = event.target.closest("[role=treeitem]");
  if (!row || event.altKey || event.ctrlKey || event.metaKey) return;
  const all = () => [...$("lines").querySelectorAll("[role=treeitem]")];
  const step = (by) => { const list = all(); return list[list.indexOf(row) + by]; };
  const open = row.getAttribute("aria-expanded");
  let next = null;
  if (event.key === "ArrowDown") next = step(1);
  else if (event.key === "ArrowUp") next = step(-1);
  else if (event.key === "Home") [next] = all();
  else if (event.key === "End") next = all().pop();
  else if (event.key === "ArrowRight") {
    if (open === "false") setOpen(row, true);
    else if (open === "true") next = step(1);
  } else if (event.key === "ArrowLeft") {
    if (open === "true") setOpen(row, false);
    else next = row.closest("ul").previousElementSibling;
  } else if (event.key === "Enter" || event.key === " ") act(row);
  else return;
  if (next) stand(next, true);
  event.preventDefault();
}

function wireTree() {
  $("lines").addEventListener("keydown", treeKey);
  $("lines").addEventListener("click", (event) => {
    const row = event.target.closest("[role=treeitem]");
    if (!row) return;
    stand(row, true);
    act(row);
  });
  $("open-all").addEventListener("click", () => openAll(true));
  $("close-all").addEventListener("click", () => openAll(false));
}
