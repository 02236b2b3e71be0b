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

function atLevel(values, level) {
  const levels = DATA.levels;
  if (level <= levels[0]) return values[0];
  for (let index = 1; index < levels.length; index++) {
    if (level <= levels[index]) {
      const share = (level - levels[index - 1]) / (levels[index] - levels[index - 1]);
      return values[index - 1] + (values[index] - values[index - 1]) * share;
    }
  }
  return values[values.length - 1];
}

function knownAt(values, level) {
  if (values.length !== DATA.levels.length) return false;
  let best = 0;
  DATA.levels.forEach((at, index) => { if (Math.abs(at - level) < Math.abs(DATA.levels[best] - level)) best = index; });
  return values[best];
}

function percent(share) {
  const value = 100 * share;
  if (value > 0 && value < 0.1) return "<0.1%";
  return (value < 9.95 ? value.toFixed(1) : value.toFixed(0)) + "%";
}

function points(value) {
  const size = Math.abs(value);
  if (size > 0 && size < 0.01) return "<0.01";
  return size < 9.995 ? value.toFixed(2) : value.toFixed(1);
}

function moveText(position, san, first) {
  if (position.white) return position.number + "." + san;
  return first ? position.number + "..." + san : san;
}

const FIGURES = [
  ["toll", "Toll", "points per 100 games", points],
  ["chance", "Played by", "of the players", percent],
  ["find", "Punished by", "of the players", percent],
  ["reach", "Reached in", "of the games", percent],
  ["cost", "Costs", "points", (value) => value.toFixed(2)],
];

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
    for (const [key, name, unit] of FIGURES) {
      this.figures[key] = el("b");
      figures.append(el("div", {}, el("dt", { textContent: name }), el("dd", {}, this.figures[key], " ", el("small", { textContent: unit }))));
    }
    this.known = el("p", { className: "known", textContent: "Must be known: at this level few find the refutation unprepared." });
    const words = el("dl", { className: "words" });
    const say = (name, ...content) => words.append(el("dt", { textContent: name }), el("dd", {}, ...content));
    say("Line", el("bdi", { textContent: finding.lineText }), finding.orders ? el("small", { textContent: " (" + finding.orders + ")" }) : "");
    if (finding.opening) say("Opening", el("bdi", { textContent: finding.opening }));
    if (finding.tempting) say("Why it tempts", el("bdi", { textContent: finding.tempting }));
    if (finding.fails) say("Why it fails", el("bdi", { textContent: finding.fails }));
    say(finding.kind.startsWith("bait") ? "Continuation" : "Refutation", this.moves);
    if (finding.also) say("Punishes too", finding.also);
    if (finding.instead) say("Instead", el("bdi", { textContent: finding.instead }));
    if (finding.motifs.length) say("Motifs", el("bdi", { textContent: finding.motifs.join(", ") }));
    if (finding.evidence) say("In the games", finding.evidence);
    this.balance = el("span");
    if (finding.balance) say("Balance", this.balance);
    if (finding.extra.length) say("Note", ...finding.extra.map((text) => el("p", {}, el("bdi", { textContent: text }))));
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
    const { finding } = this, { level } = STATE;
    this.stale = false;
    for (const [key, , , format] of FIGURES) this.figures[key].textContent = format(atLevel(finding.n[key], level));
    this.known.hidden = !knownAt(finding.known, level);
    if (finding.balance) {
      const value = (key) => (finding.balance[key].length ? (100 * atLevel(finding.balance[key], level)).toFixed(1) : "?");
      this.balance.textContent = `In points per 100 games: price at best play ${value("price")}, gain from slips ` +
        `${value("gain")}, balance ${value("net")} (between ${value("low")} and ${value("high")}).`;
    }
    drawCurve(this.curve, finding.n.chance, level);
  }
}

// The chance of the slip over the levels, with the chosen level marked; told in words too.
function drawCurve(node, values, level) {
  const levels = DATA.levels, low = levels[0], span = levels[levels.length - 1] - low || 1;
  const top = [0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1].find((value) => value >= Math.max(...values)) || 1;
  const x = (at) => 34 + (206 * (Math.min(Math.max(at, low), low + span) - low)) / span;
  const y = (value) => 72 - (60 * value) / top;
  const text = (at, height, anchor, words) => {
    const part = svg("text", { x: at, y: height, "text-anchor": anchor, class: "axis" });
    part.textContent = words;
    return part;
  };
  const path = levels.map((at, index) => (index ? "L" : "M") + x(at).toFixed(1) + " " + y(values[index]).toFixed(1)).join("");
  const here = atLevel(values, level);
  node.setAttribute("aria-label", "Chance that the slip is played, by level: " +
    levels.map((at, index) => at + " " + percent(values[index])).join(", ") + ".");
  node.replaceChildren(
    svg("path", { d: "M34 12V72H240", class: "frame" }),
    svg("path", { d: path, class: "chance" }),
    svg("path", { d: `M${x(level)} 72V${y(here)}`, class: "here" }),
    svg("circle", { cx: x(level), cy: y(here), r: 4, class: "dot" }),
    text(30, 16, "end", percent(top).replace(".0", "")), text(30, 75, "end", "0"),
    text(34, 86, "start", String(low)), text(240, 86, "end", String(low + span)),
    text(137, 86, "middle", "chance over level"));
}
