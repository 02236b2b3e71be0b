// Cards under headings: by kind, by opening, or by chapter.
const SHOWN = {};
const GROUPS = new Map();
const FEW = 5;
// From so many chapters on each is opened by the reader.
const MANY = 30;

function byKind(found) {
  return DATA.sections.map(({ key, heading, about, closed }) => {
    const inside = found.filter((card) => card.finding.section === key);
    return { key, heading, about, closed, cards: STATE.view === "worth" ? leads(inside) : inside, few: DATA.shown };
  });
}

// One card an idea: the first of those that share it, and the others told on it.
function leads(cards) {
  const ideas = new Map();
  for (const card of cards) {
    if (!ideas.has(card.finding.idea)) ideas.set(card.finding.idea, []);
    ideas.get(card.finding.idea).push(card);
  }
  return [...ideas.values()].map(([lead, ...others]) => {
    lead.others = others;
    return lead;
  });
}

// Of a section's cards those worth it, few of one position.
function atTheHead(cards) {
  const seen = {}, kept = [];
  for (const card of cards) {
    const { fen, worthy } = card.finding;
    if (!here(worthy)) continue;
    seen[fen] = (seen[fen] || 0) + 1;
    if (seen[fen] <= DATA.alike && !kept.some((above) => again(card.finding, above.finding))) kept.push(card);
  }
  return kept.sort((a, b) => here(b.finding.worthy) - here(a.finding.worthy)).slice(0, DATA.first);
}

// Whether the same side makes the same move in nearly the same position.
function again(one, other) {
  if (one.victim !== other.victim || one.plays[0].moves[0][1] !== other.plays[0].moves[0][1]) return false;
  const there = readFen(other.fen).men;
  return readFen(one.fen).men.filter((man, square) => man !== there[square]).length <= DATA.near;
}

// Whether its answer is prepared, to stand at the end of a line.
function stateOf(finding) {
  const state = DATA.states.find(({ key }) => key === finding.state);
  return state ? "; " + state.name : "";
}

// The head of the page: one line for each of the first ideas of every section that is open at first.
function drawFirst(groups) {
  const parts = [];
  for (const group of groups) {
    const cards = atTheHead(group.cards);
    if (group.closed || !cards.length) continue;
    const list = el("ol");
    for (const card of cards) {
      const { finding } = card;
      const link = el("a", { href: "#at=" + encodeURIComponent(finding.id) }, el("bdi", { textContent: finding.title }));
      link.addEventListener("click", (event) => { event.preventDefault(); showFinding(finding); });
      const line = finding.line.length ? paragraphs(finding.words.line) : [];
      const more = card.others.length ? ` (and ${card.others.length} more like it)` : "";
      list.append(el("li", {}, link, " ", el("span", { className: "where" },
        el("bdi", { textContent: finding.where ? finding.where + ", " : "" }), ...line, more, "; ", here(finding.happens), stateOf(finding))));
    }
    const rest = group.cards.length > cards.length ? `the first ${cards.length} of ${group.cards.length}` : "";
    parts.push(el("div", {}, el("h3", {}, el("bdi", { textContent: group.heading }), " ", el("small", { textContent: rest })), list));
  }
  $("first-lists").replaceChildren(...parts);
  $("first").hidden = STATE.view !== "worth" || !parts.length;
}

function isOpen(group) {
  return !group.closed || STATE.open.includes(group.key) || STATE.kinds.includes(group.key);
}

function groupKey(finding) {
  if (STATE.view === "chapters") return "chapter " + chapterOf(finding);
  return STATE.view === "openings" ? "opening " + finding.group : finding.section;
}

// The chapter under which a finding stands: the one that is looked for, or the first that holds it.
function chapterOf(finding) {
  return STATE.chapter ? Number(STATE.chapter) - 1 : finding.chapters.length ? finding.chapters[0] : -1;
}

const SIDES = { white: "For White.", black: "For Black.", both: "For both sides." };

// In the order of the files. What several chapters hold stands in the first of them.
function byChapter(found) {
  const groups = new Map();
  for (const card of found) {
    const number = chapterOf(card.finding);
    if (!groups.has(number)) groups.set(number, { key: groupKey(card.finding), number, cards: [], toll: 0, few: FEW });
    const group = groups.get(number);
    group.cards.push(card);
    group.toll += here(card.finding.tolls);
  }
  const list = [...groups.values()].sort((a, b) => a.number - b.number);
  for (const group of list) {
    const chapter = DATA.chapters[group.number];
    group.heading = chapter ? `${group.number + 1}. ${chapter.title}` : "In no chapter";
    group.closed = list.length > MANY;
    group.about = `${chapter ? SIDES[chapter.side] + " " : ""}Toll ${points(group.toll)} in all.`;
  }
  return list;
}

// What the file lacks, in order of use; one line an idea.
function drawAdditions(found) {
  const missing = found.filter((card) => card.finding.add);
  missing.sort((a, b) => here(a.finding.places.use) - here(b.finding.places.use));
  const cards = leads(missing);
  const counts = DATA.states.map(({ key, name }) => [name, found.filter((card) => card.finding.state === key).length]);
  const told = counts.filter(([, count]) => count).map(([name, count]) => `${name} ${count}`).join(", ");
  $("add-about").textContent = `${told.charAt(0).toUpperCase() + told.slice(1)}.`;
  $("add-list").replaceChildren(...(STATE.added ? cards : cards.slice(0, DATA.first)).map((card) => {
    const { finding } = card;
    const link = el("a", { href: "#at=" + encodeURIComponent(finding.id) }, el("bdi", { textContent: finding.add }));
    link.addEventListener("click", (event) => { event.preventDefault(); showFinding(finding); });
    const chapter = finding.words.chapter ? ", " + finding.words.chapter : "";
    return el("li", {}, link, " ", el("span", { className: "where" }, ...paragraphs(finding.words.line), el("bdi", { textContent: chapter }), stateOf(finding), "; ", here(finding.happens)));
  }));
  $("add-all").hidden = cards.length <= DATA.first;
  $("add-all").textContent = STATE.added ? "Show fewer" : `Show all ${cards.length}`;
  $("add").hidden = STATE.view !== "worth" || !told;
}

// The opening that costs most comes first; what has no name comes last.
function byOpening(found) {
  const groups = new Map();
  for (const card of found) {
    const name = card.finding.group;
    if (!groups.has(name)) groups.set(name, { key: groupKey(card.finding), name, cards: [], toll: 0, eco: [], few: FEW });
    const group = groups.get(name);
    group.cards.push(card);
    group.toll += here(card.finding.tolls);
    if (card.finding.eco) group.eco.push(card.finding.eco);
  }
  const list = [...groups.values()].sort((a, b) => !a.name - !b.name || b.toll - a.toll || (a.name < b.name ? -1 : 1));
  for (const group of list) {
    group.eco.sort();
    const low = group.eco[0] || "", high = group.eco[group.eco.length - 1] || "";
    group.heading = group.name ? `${low === high ? low : low + "–" + high} ${group.name}` : "No named opening";
    group.about = `Toll ${points(group.toll)} in all.`;
  }
  return list;
}

// The section of a group, made when it is first needed.
function sectionOf(group) {
  if (!GROUPS.has(group.key)) {
    const number = GROUPS.size, id = DATA.kinds.includes(group.key) ? group.key : "g" + number;
    const button = (className, textContent, count) => {
      const node = el("button", { type: "button", className, textContent });
      node.addEventListener("click", () => { SHOWN[group.key] = count(); refresh(); });
      return node;
    };
    const box = {
      heading: el("bdi"), count: el("span", { className: "count" }), about: el("p", { className: "about" }),
      list: el("div", { className: "cards" }), rest: el("span"), shown: [],
    };
    box.more = el("p", { className: "more" }, box.rest,
      button("some", `Show ${group.few} more`, () => (SHOWN[group.key] || group.few) + group.few), " ",
      button("all", "Show all", () => Infinity));
    box.open = el("button", { type: "button", className: "open" });
    box.open.addEventListener("click", () => {
      STATE.open = STATE.open.includes(group.key) ? STATE.open.filter((key) => key !== group.key) : [...STATE.open, group.key];
      change();
    });
    box.node = el("section", { id: "s-" + id, "aria-labelledby": "h-" + id },
      el("h2", { id: "h-" + id }, box.heading, " ", box.count), box.about, box.open, box.list, box.more);
    GROUPS.set(group.key, box);
  }
  return GROUPS.get(group.key);
}

function sameNodes(box, nodes) {
  return nodes.length === box.children.length && nodes.every((node, index) => node === box.children[index]);
}

function drawGroups(groups) {
  order = [];
  const sections = [];
  for (const group of groups) {
    if (!group.cards.length) continue;
    const box = sectionOf(group), most = SHOWN[group.key] || group.few;
    const open = isOpen(group), shown = open ? group.cards.slice(0, most) : [];
    order.push(...shown);
    const nodes = shown.map(nodeOf);
    if (!sameNodes(box.list, nodes)) box.list.replaceChildren(...nodes);
    box.heading.textContent = group.heading;
    box.count.textContent = group.cards.length;
    box.about.textContent = group.about;
    box.open.hidden = !group.closed || STATE.kinds.includes(group.key);
    box.open.textContent = open ? "Close" : `Open (${group.cards.length})`;
    box.open.setAttribute("aria-expanded", open);
    box.more.hidden = !open || group.cards.length <= most;
    box.rest.textContent = `${group.cards.length - shown.length} more, further down. `;
    sections.push(box.node);
  }
  if (!sameNodes($("cards"), sections)) $("cards").replaceChildren(...sections);
}
