// The page: its state (kept in the address), filters, order, sections, printing.
const CARDS = DATA.findings.map((finding, index) => new Card(finding, index));
let order = [];

DATA.findings.forEach((finding, index) => {
  finding.index = index;
  finding.node = TREE.at[index];
  finding.hay = [finding.id, finding.title, ...Object.values(finding.words).flat()].join(" ").toLowerCase();
});

function fits(finding) {
  return (!STATE.kinds.length || STATE.kinds.includes(finding.section)) &&
    (!STATE.wrong || finding.victim === STATE.wrong) && (!STATE.motif || finding.motifs.includes(STATE.motif)) &&
    (!STATE.gain || finding.gain === STATE.gain) && (!STATE.opening || finding.group === STATE.opening) &&
    (!STATE.state || finding.state === STATE.state) && (!STATE.chapter || finding.chapters.includes(Number(STATE.chapter) - 1)) &&
    (!STATE.known || here(finding.known)) &&
    STATE.text.toLowerCase().split(/\s+/).every((word) => finding.hay.includes(word));
}

// --- the address -----------------------------------------------------------------------------------------------------
function nearestStop(level) {
  return DATA.stops.reduce((best, stop) => (Math.abs(stop - level) < Math.abs(best - level) ? stop : best));
}

function readAddress() {
  const given = new URLSearchParams(location.hash.slice(1));
  STATE.level = nearestStop(Number(given.get("level")) || DATA.level);
  STATE.kinds = (given.get("kind") || "").split(",").filter((kind) => DATA.sections.some((section) => section.key === kind));
  for (const key of ["motif", "gain", "opening", "state", "chapter", "text"]) STATE[key] = given.get(key) || "";
  STATE.wrong = ["white", "black"].includes(given.get("wrong")) ? given.get("wrong") : "";
  STATE.known = given.get("known") === "1";
  STATE.board = ["ours", "wrong", "right", "white", "black"].includes(given.get("board")) ? given.get("board") : "ours";
  STATE.view = ["toll", "openings", "chapters", "lines"].includes(given.get("view")) ? given.get("view") : "worth";
  if (DATA.chapters.length < 2) Object.assign(STATE, { chapter: "", view: STATE.view === "chapters" ? "worth" : STATE.view });
  STATE.open = (given.get("open") || "").split(",").filter((key) => DATA.sections.some((section) => section.key === key));
  STATE.found = given.get("found") === "1";
  return given.get("at");
}

function writeAddress(at) {
  const out = new URLSearchParams();
  if (STATE.level !== DATA.level) out.set("level", STATE.level);
  if (STATE.kinds.length) out.set("kind", STATE.kinds.join(","));
  for (const key of ["wrong", "motif", "gain", "opening", "state", "chapter", "text"]) if (STATE[key]) out.set(key, STATE[key]);
  if (STATE.known) out.set("known", "1");
  if (STATE.board !== "ours") out.set("board", STATE.board);
  if (STATE.view !== "worth") out.set("view", STATE.view);
  if (STATE.open.length) out.set("open", STATE.open.join(","));
  if (STATE.found) out.set("found", "1");
  if (at) out.set("at", at);
  const address = "#" + out.toString();
  if (address !== location.hash && !(address === "#" && !location.hash)) history.replaceState(null, "", address);
}

// --- drawing ---------------------------------------------------------------------------------------------------------
const watcher = "IntersectionObserver" in window ? new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const card = CARDS[Number(entry.target.id.slice(1))];
    card.near = entry.isIntersecting;
    if (card.near) card.catchUp();
  }
}, { rootMargin: "800px" }) : null;

function nodeOf(card) {
  if (!card.node) {
    card.build();
    if (watcher) watcher.observe(card.node);
    else card.draw();
  } else {
    card.stale = true;
    if (card.near || !watcher) card.catchUp();
  }
  return card.node;
}

function refresh() {
  const { level } = STATE;
  const found = CARDS.filter((card) => fits(card.finding));
  const place = STATE.view === "worth" ? "worth" : "toll";
  drawAdditions(found);
  found.sort((a, b) => here(a.finding.places[place]) - here(b.finding.places[place]));
  for (const card of found) card.others = [];
  const groups = STATE.view === "openings" ? byOpening(found) : STATE.view === "chapters" ? byChapter(found) : byKind(found);
  drawFirst(groups);
  if (STATE.view !== "lines") drawGroups(groups);
  $("cards").hidden = STATE.view === "lines";
  $("tree").hidden = STATE.view !== "lines";
  if (STATE.view === "lines") drawTree(found.map((card) => card.finding));
  $("none").hidden = found.length > 0;
  $("status").textContent = `${found.length} of ${CARDS.length} findings, ranked for level ${level}`;
  $("level-out").textContent = level;
  $("level").setAttribute("aria-valuetext", level);
}

function showControls() {
  $("level").value = DATA.stops.indexOf(STATE.level);
  for (const key of ["wrong", "motif", "gain", "opening", "state", "chapter", "text", "board"]) if ($(key)) $(key).value = STATE[key];
  for (const key of SELECTS.filter((key) => $(key))) if ($(key).value !== STATE[key]) { STATE[key] = ""; $(key).value = ""; }
  $("known").checked = STATE.known;
  $("found").checked = STATE.found;
  for (const box of document.querySelectorAll("[name=kind]")) box.checked = STATE.kinds.includes(box.value);
  for (const box of document.querySelectorAll("[name=view]")) box.checked = box.value === STATE.view;
}

let waiting = false;
function change() {
  writeAddress();
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; refresh(); });
}

function moveOn(card, by) {
  const next = order[order.indexOf(card) + by];
  if (!next) return;
  next.stage.focus();
  next.node.scrollIntoView({ block: "start" });
  writeAddress(next.finding.id);
}

function showFinding(finding) {
  if (STATE.view === "lines") STATE.view = "worth";
  const card = CARDS[finding.index];
  if (DATA.sections.find(({ key }) => key === finding.section).closed && !STATE.open.includes(finding.section)) STATE.open.push(finding.section);
  if (STATE.view === "chapters" && !STATE.open.includes(groupKey(finding))) STATE.open.push(groupKey(finding));
  showControls();
  refresh();
  if (!order.includes(card)) { SHOWN[groupKey(finding)] = Infinity; refresh(); }
  if (!order.includes(card) && STATE.view === "worth") { STATE.view = "toll"; showControls(); refresh(); }
  if (!order.includes(card)) return;
  card.stage.focus();
  card.node.scrollIntoView({ block: "start" });
  writeAddress(finding.id);
}

// --- wiring ----------------------------------------------------------------------------------------------------------
function option(select, value, text) {
  select.append(el("option", { value, textContent: text }));
}

const SELECTS = ["motif", "gain", "opening", "state", "chapter"];

function fillSelects() {
  const count = (values) => {
    const seen = new Map();
    for (const value of values) seen.set(value, (seen.get(value) || 0) + 1);
    return [...seen].sort((a, b) => (a[0] < b[0] ? -1 : 1));
  };
  for (const [motif, times] of count(DATA.findings.flatMap((finding) => finding.motifs))) option($("motif"), motif, `${motif} (${times})`);
  for (const [gain, times] of count(DATA.findings.map((finding) => finding.gain))) option($("gain"), gain, `${gain} (${times})`);
  for (const [group, times] of count(DATA.findings.map((finding) => finding.group))) if (group) option($("opening"), group, `${group} (${times})`);
  const times = (fits) => DATA.findings.filter(fits).length;
  for (const { key, name } of DATA.states) option($("state"), key, `${name} (${times((finding) => finding.state === key)})`);
  if ($("chapter")) {
    const held = new Map(count(DATA.findings.flatMap((finding) => finding.chapters)));
    DATA.chapters.forEach(({ title }, number) => option($("chapter"), number + 1, `${number + 1}. ${title} (${held.get(number) || 0})`));
  }
}

function start() {
  if (window.matchMedia("(max-width: 46rem)").matches) $("filters").open = false;
  fillSelects();
  $("level").addEventListener("input", (event) => { STATE.level = DATA.stops[Number(event.target.value)]; change(); });
  for (const key of ["wrong", ...SELECTS].filter((key) => $(key))) $(key).addEventListener("change", (event) => { STATE[key] = event.target.value; change(); });
  $("text").addEventListener("input", (event) => { STATE.text = event.target.value.trim(); change(); });
  $("known").addEventListener("change", (event) => { STATE.known = event.target.checked; change(); });
  $("board").addEventListener("change", (event) => {
    STATE.board = event.target.value;
    for (const card of CARDS) { card.turned = false; if (card.drawn) card.draw(); }
    change();
  });
  for (const box of document.querySelectorAll("[name=kind]")) box.addEventListener("change", () => {
    STATE.kinds = [...document.querySelectorAll("[name=kind]:checked")].map((one) => one.value);
    change();
  });
  for (const box of document.querySelectorAll("[name=view]")) box.addEventListener("change", () => { STATE.view = box.value; change(); });
  $("clear").addEventListener("click", () => {
    Object.assign(STATE, { kinds: [], wrong: "", motif: "", gain: "", opening: "", state: "", chapter: "", known: false, text: "" });
    showControls();
    change();
  });
  $("add-all").addEventListener("click", () => { STATE.added = !STATE.added; refresh(); });
  $("found").addEventListener("change", (event) => { STATE.found = event.target.checked; change(); });
  wireTree();
  $("controls").addEventListener("submit", (event) => event.preventDefault());
  window.addEventListener("hashchange", arrive);
  // Boards are drawn as they come into view; paper sees them all.
  window.addEventListener("beforeprint", () => { if (STATE.view !== "lines") for (const card of order) card.catchUp(); });
  arrive();
}

function arrive() {
  const at = readAddress();
  showControls();
  refresh();
  const wanted = at && DATA.findings.find((finding) => finding.id === at);
  if (wanted) showFinding(wanted);
}

start();
