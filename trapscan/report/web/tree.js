// The repertoire's lines as a tree, with the findings where they sit.
function buildTree(findings, level) {
  const roots = new Map();
  for (const finding of findings) {
    if (!roots.has(finding.start)) roots.set(finding.start, { moves: new Map(), here: [], position: readFen(finding.start), count: 0, toll: 0 });
    let node = roots.get(finding.start);
    const toll = atLevel(finding.n.toll, level);
    node.count++; node.toll += toll;
    for (const [san, uci] of finding.line) {
      if (!node.moves.has(san)) node.moves.set(san, { moves: new Map(), here: [], position: play(node.position, uci), count: 0, toll: 0 });
      node = node.moves.get(san);
      node.count++; node.toll += toll;
    }
    node.here.push(finding);
  }
  return roots;
}

function treeList(node, level, open, depth) {
  const list = el("ul");
  for (const finding of node.here) {
    const link = el("a", { href: "#" });
    link.append(el("bdi", { textContent: finding.title }));
    link.addEventListener("click", (event) => { event.preventDefault(); showFinding(finding); });
    list.append(el("li", { className: "leaf" }, el("span", { className: "kind", textContent: finding.kind }), " ", link, " ",
      el("small", { textContent: "toll " + points(atLevel(finding.n.toll, level)) })));
  }
  const branches = [...node.moves].sort((a, b) => b[1].toll - a[1].toll || (a[0] < b[0] ? -1 : 1));
  for (const [san, first] of branches) {
    const words = [moveText(node.position, san, true)];
    let last = first;
    while (!last.here.length && last.moves.size === 1) {  // a stretch without a fork is one row
      const [[next, child]] = last.moves;
      words.push(moveText(last.position, next, false));
      last = child;
    }
    const row = el("summary", {}, el("bdi", { className: "path", textContent: words.join(" ") }), " ",
      el("small", { textContent: first.count + (first.count === 1 ? " finding" : " findings") + ", toll " + points(first.toll) }));
    const branch = el("details", { open: open || depth < 1 }, row);
    const fill = () => { if (branch.open && branch.children.length === 1) branch.append(treeList(last, level, open, depth + 1)); };
    branch.addEventListener("toggle", fill);
    fill();
    list.append(el("li", {}, branch));
  }
  return list;
}

function drawTree(box, findings, level, open) {
  box.replaceChildren();
  for (const [start, root] of buildTree(findings, level)) {
    if (start !== DATA.standard) box.append(el("p", {}, "From ", el("bdi", { textContent: start })));
    box.append(treeList(root, level, open, 0));
  }
}
