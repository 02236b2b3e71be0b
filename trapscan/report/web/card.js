// One finding as a card: its board, the moves on it, its words and numbers.
function el(name, properties, ...children) {
  const node = document.createElement(name);
  for (const [key, value] of Object.entries(properties || {})) {
    if (key.includes("-") || key === "role") node.setAttribute(key, value);
    else node[key] = value;
  }
  node.append(...children);
  return node;
}

// What a list with one entry for each stop of the slider holds for the present one.
function here(values) {
  return values[DATA.stops.indexOf(STATE.level)];
}

// A sum of tolls, in millionths of a point, as the library writes it (report/text.py, points).
function points(millionths) {
  if (millionths > 0 && millionths < 10000) return "<0.01";
  const [step, digits] = millionths < 9995000 ? [10000, 2] : [100000, 1];
  return (Math.floor((millionths + step / 2) / step) / 10 ** digits).toFixed(digits);
}

function moveText(position, san, first) {
  if (position.white) return position.number + "." + san;
  return first ? position.number + "..." + san : san;
}

const LEGEND = "Dashed: the slip. Solid: the refutation.";

class Card {
  constructor(finding, index) {
    this.finding = finding;
    this.index = index;
    this.turned = false;
    this.which = 0;
    this.step = 0;
    this.drawn = this.stale = this.near = false;
    this.node = null;
    this.others = [];
  }

  // The side at the bottom of the board by the page's choice.
  get below() {
    const { victim, owner } = this.finding;
    const other = victim === "white" ? "black" : "white";
    return { ours: owner, wrong: victim, right: other, white: "white", black: "black" }[STATE.board];
  }

  get flip() {
    return (this.below === "black") !== this.turned;
  }

  // All positions from the first of the line to the last of the shown continuation; `zero` is the finding's own.
  positions() {
    const { finding } = this;
    const moves = [...finding.line, ...finding.plays[this.which].moves];
    const list = [readFen(finding.start)];
    for (const [, uci] of moves) list.push(play(list[list.length - 1], uci));
    list[finding.line.length] = readFen(finding.fen);
    return { list, moves, zero: finding.line.length };
  }

  build() {
    const { finding, index } = this;
    const id = "f" + index;
    this.board = emptyBoard();
    this.said = el("p", { className: "said", "aria-live": "polite", textContent: LEGEND });
    const button = (text, action, name) => {
      const node = el("button", { type: "button", textContent: text, className: name || "" });
      node.addEventListener("click", action);
      return node;
    };
    this.back = button("Back", () => this.go(this.step - 1));
    this.next = button("Next", () => this.go(this.step + 1));
    const steps = el("div", { className: "steps", role: "group", "aria-label": "Play the moves" },
      button("Position", () => this.go(0)), this.back, this.next,
      button("End", () => this.go(Infinity)),
      button("Turn", () => { this.turned = !this.turned; this.draw(); }, "turn"));
    this.stage = el("div", { className: "stage", tabIndex: 0, role: "group", "aria-label": "Board. Left and right arrow keys play the moves, Page Down goes to the next finding." }, this.board);
    this.moves = el("p", { className: "moves" });
    this.curve = svg("svg", { viewBox: "0 0 250 92", role: "img", class: "curve" });
    const left = el("div", { className: "left" }, this.stage, steps, this.said);
    if (finding.plays.length > 1) {
      const select = el("select", { "aria-label": "Continuation" });
      finding.plays.forEach((line, number) => select.append(el("option", { value: number, textContent: line.label })));
      select.addEventListener("change", () => { this.which = Number(select.value); this.writeMoves(); this.go(0); });
      left.append(el("p", { className: "which" }, select));
    }
    this.figures = {};
    const figures = el("dl", { className: "figures" });
    for (const { key, name, unit } of DATA.figures) {
      this.figures[key] = el("b");
      figures.append(el("div", {}, el("dt", { textContent: name }), el("dd", {}, this.figures[key], " ", el("small", { textContent: unit }))));
    }
    this.known = el("p", { className: "known", textContent: "Must be known: at this level few punish it unprepared." });
    const words = el("dl", { className: "words" });
    const say = (name, ...content) => words.append(el("dt", { textContent: name }), el("dd", {}, ...content));
    this.byLevel = {};
    for (const { key, name } of DATA.rows) {
      const told = finding.words[key];
      if (key === "moves") say(finding.kind.startsWith("bait") ? "Continuation" : name, this.moves);
      else if (Array.isArray(told)) say(name, this.byLevel[key] = el("div"));
      else if (told) say(name, ...paragraphs(told));
    }
    this.elsewhere = el("div");
    this.elsewhereName = el("dt", { textContent: "The same idea" });
    this.elsewhereBody = el("dd", {}, this.elsewhere);
    words.append(this.elsewhereName, this.elsewhereBody);
    say("Id", el("small", {}, el("bdi", { textContent: finding.id })));
    left.append(this.curve);
    const right = el("div", { className: "right" }, figures, this.known, words);
    const body = el("div", { className: "body" }, left, right);
    this.node = el("article", { id, "aria-labelledby": id + "h" },
      el("h3", { id: id + "h" }, el("span", { className: "kind", textContent: finding.kind + ":" }), " ", el("bdi", { textContent: finding.title })), body);
    if (finding.twins.length) body.append(this.twins());
    this.stage.addEventListener("keydown", (event) => this.key(event));
    this.moves.addEventListener("click", (event) => {
      const to = event.target.dataset && event.target.dataset.step;
      if (to) this.go(Number(to));
    });
    this.writeMoves();
    this.update();
    return this.node;
  }

  // Where else the idea comes up; each place can be opened.
  tellOthers() {
    const count = this.others.length;
    const list = el("ul", {}, ...this.others.map(({ finding }) => {
      const link = el("a", { href: "#at=" + encodeURIComponent(finding.id) }, el("bdi", { textContent: finding.title }));
      link.addEventListener("click", (event) => { event.preventDefault(); STATE.view = "toll"; showFinding(finding); });
      return el("li", {}, ...paragraphs(finding.words.line), ": ", link);
    }));
    const head = el("summary", { textContent: `also in ${count} more position${count > 1 ? "s" : ""}; in all ${here(this.finding.happens)}` });
    return [el("details", {}, head, list)];
  }

  twins() {
    const box = el("div", { className: "twins", role: "group", "aria-label": "Look-alikes" });
    this.small = [];
    const figure = (fen, moves, marks, head, text) => {
      const board = emptyBoard();
      this.small.push({ board, fen, moves, marks, head });
      return el("figure", {}, board, el("figcaption", {}, el("b", { textContent: head }), " ", el("bdi", { textContent: text })));
    };
    const { finding } = this;
    const first = finding.twins[0];
    const uci = finding.plays[0].moves[0][1];
    box.append(figure(finding.fen, [[uci, "slip"]], first.squares, "Here it fails.", "The marked squares differ."));
    for (const twin of finding.twins) box.append(figure(twin.fen, [[uci, "slip"]], twin.squares, "Here it is sound.", twin.text));
    return box;
  }

  // The moves of the shown continuation; the one just played is marked.
  writeMoves() {
    const { list, moves, zero } = this.positions();
    const parts = [];
    moves.slice(zero).forEach(([san], index) => {
      const here = el("span", { className: "move", textContent: moveText(list[zero + index], san, index === 0) });
      here.dataset.step = index + 1;
      parts.push(here, " ");
    });
    this.moves.replaceChildren(...parts);
    this.last = moves.length - zero;
    this.first = -zero;
  }

  go(step) {
    this.step = Math.max(this.first, Math.min(this.last, step));
    this.draw();
    const { list, moves, zero } = this.positions();
    const at = zero + this.step;
    this.said.textContent = this.step === 0 ? LEGEND :
      moveText(list[at - 1] || list[0], (moves[at - 1] || ["start"])[0], true);
    if (at === 0) this.said.textContent = "The start.";
  }

  key(event) {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const steps = { ArrowLeft: this.step - 1, ArrowRight: this.step + 1, Home: 0, End: Infinity };
    if (event.key in steps) this.go(steps[event.key]);
    else if (event.key === "PageDown" || event.key === "PageUp") moveOn(this, event.key === "PageDown" ? 1 : -1);
    else return;
    event.preventDefault();
  }

  // What was put off while the card was out of sight.
  catchUp() {
    if (!this.drawn) this.draw();
    if (this.stale) this.update();
  }

  draw() {
    this.drawn = true;
    const { list, moves, zero } = this.positions();
    const kinds = (index) => (this.finding.plays[this.which].slip === index - zero ? "slip" : "refutation");
    const at = zero + this.step;
    let shown = [];
    if (this.step === 0) {
      const slip = this.finding.plays[this.which].slip;
      shown = moves.slice(zero, zero + slip + 2).map(([, uci], index) => [uci, kinds(zero + index)]);
      if (slip > 0) shown = shown.slice(0, 1);
    } else if (at > 0) shown = [[moves[at - 1][1], kinds(at - 1)]];
    drawBoard(this.board, list[at], { flip: this.flip, moves: shown, label: this.step === 0 ? this.finding.title + "." : "" });
    this.back.disabled = this.step <= this.first;
    this.next.disabled = this.step >= this.last;
    for (const node of this.moves.querySelectorAll(".move")) {
      if (Number(node.dataset.step) === this.step) node.setAttribute("aria-current", "true");
      else node.removeAttribute("aria-current");
    }
    for (const twin of this.small || []) {
      drawBoard(twin.board, readFen(twin.fen), { flip: this.flip, moves: twin.moves, marks: twin.marks, label: twin.head });
    }
  }

  // Numbers and curve at the page's level.
  update() {
    const { finding } = this;
    this.stale = false;
    for (const { key } of DATA.figures) this.figures[key].textContent = here(finding.figures[key]);
    for (const [key, node] of Object.entries(this.byLevel)) node.replaceChildren(...paragraphs(here(finding.words[key])));
    this.known.hidden = !here(finding.known);
    this.elsewhereName.hidden = this.elsewhereBody.hidden = !this.others.length;
    if (this.others.length) this.elsewhere.replaceChildren(...this.tellOthers());
    drawCurve(this.curve, finding.chance, finding.figures.chance);
  }
}

// A row's text: its paragraphs stand a line each.
function paragraphs(text) {
  const lines = text.split("\n").map((line) => el("bdi", { textContent: line }));
  return lines.length > 1 ? lines.map((line) => el("p", {}, line)) : lines;
}

// The chance of the slip over the levels, with the chosen level marked; told in words too.
function drawCurve(node, values, written) {
  const { stops } = DATA, low = stops[0], high = stops[stops.length - 1], { level } = STATE;
  const top = [0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1].find((value) => value >= Math.max(...values)) || 1;
  const x = (at) => 34 + (206 * (at - low)) / (high - low || 1);
  const y = (value) => 72 - (60 * value) / top;
  const text = (at, height, anchor, words) => {
    const part = svg("text", { x: at, y: height, "text-anchor": anchor, class: "axis" });
    part.textContent = words;
    return part;
  };
  const path = stops.map((at, index) => (index ? "L" : "M") + x(at).toFixed(1) + " " + y(values[index]).toFixed(1)).join("");
  const height = y(here(values));
  node.setAttribute("aria-label", "Chance that the slip is played, by level: " +
    stops.map((at, index) => at + " " + written[index]).join(", ") + ".");
  node.replaceChildren(
    svg("path", { d: "M34 12V72H240", class: "frame" }),
    svg("path", { d: path, class: "chance" }),
    svg("path", { d: `M${x(level)} 72V${height}`, class: "here" }),
    svg("circle", { cx: x(level), cy: height, r: 4, class: "dot" }),
    text(30, 16, "end", Math.round(100 * top) + "%"), text(30, 75, "end", "0"),
    text(34, 86, "start", String(low)), text(240, 86, "end", String(high)),
    text(137, 86, "middle", "chance over level"));
}
