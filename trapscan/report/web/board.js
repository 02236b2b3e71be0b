// Boards: positions from FEN, moves played on them, drawn as SVG. No markup is ever parsed: nodes only.
const SVG = "http://www.w3.org/2000/svg";
const FILES = "abcdefgh";
const NAMES = { k: "king", q: "queen", r: "rook", b: "bishop", n: "knight", p: "pawn" };
const UNIT = 45;

function svg(name, attributes, ...children) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes || {})) node.setAttribute(key, value);
  node.append(...children);
  return node;
}

function square(name) {
  return FILES.indexOf(name[0]) + 8 * (Number(name[1]) - 1);
}

// A position: 64 letters or "" from a1 to h8, the side to move, the move number.
function readFen(fen) {
  const [placement, turn, , , , number] = fen.split(" ");
  const men = new Array(64).fill("");
  placement.split("/").forEach((row, index) => {
    let file = 0;
    for (const letter of row) {
      if (letter >= "1" && letter <= "8") file += Number(letter);
      else men[(7 - index) * 8 + file++] = letter;
    }
  });
  return { men, white: turn !== "b", number: Number(number) || 1 };
}

// The position after a move in UCI notation. Legality is the scan's business.
function play(position, uci) {
  const men = position.men.slice();
  const from = square(uci), to = square(uci.slice(2)), man = men[from];
  const kind = man.toLowerCase();
  if (kind === "p" && from % 8 !== to % 8 && !men[to]) men[to + (position.white ? -8 : 8)] = "";
  men[to] = uci[4] ? (position.white ? uci[4].toUpperCase() : uci[4]) : man;
  men[from] = "";
  if (kind === "k" && Math.abs((from % 8) - (to % 8)) === 2) {
    const [corner, beside] = to > from ? [to + 1, to - 1] : [to - 2, to + 1];
    men[beside] = men[corner];
    men[corner] = "";
  }
  return { men, white: !position.white, number: position.number + (position.white ? 0 : 1) };
}

// The position in words, for those who do not see the board.
function inWords(position) {
  const side = (white) => {
    const groups = [];
    for (const letter of "kqrbnp") {
      const wanted = white ? letter.toUpperCase() : letter;
      const at = [];
      position.men.forEach((man, index) => { if (man === wanted) at.push(FILES[index % 8] + (1 + (index >> 3))); });
      if (at.length) groups.push(NAMES[letter] + (at.length > 1 ? "s " : " ") + andList(at));
    }
    return groups.join(", ") || "nothing";
  };
  return `White: ${side(true)}. Black: ${side(false)}. ${position.white ? "White" : "Black"} to move.`;
}

function andList(words) {
  return words.length > 1 ? words.slice(0, -1).join(", ") + " and " + words[words.length - 1] : words.join("");
}

function centre(name, flip) {
  const at = square(name), file = at % 8, rank = at >> 3;
  return [UNIT * ((flip ? 7 - file : file) + 0.5), UNIT * ((flip ? rank : 7 - rank) + 0.5)];
}

// A slip: a dashed line that ends in a ring. A refutation: a solid line that ends in a point. Told apart without colour.
function drawMove(uci, flip, kind) {
  const [x1, y1] = centre(uci, flip), [x2, y2] = centre(uci.slice(2), flip);
  const length = Math.hypot(x2 - x1, y2 - y1) || 1, ux = (x2 - x1) / length, uy = (y2 - y1) / length;
  const group = svg("g", { class: kind });
  const stop = kind === "slip" ? 18 : 14;
  const path = `M${x1} ${y1}L${x2 - ux * stop} ${y2 - uy * stop}`;
  group.append(svg("path", { d: path, class: "halo" }), svg("path", { d: path, class: "stroke" }), svg("circle", { cx: x1, cy: y1, r: 5, class: "foot" }));
  if (kind === "slip") {
    group.append(svg("circle", { cx: x2, cy: y2, r: 18, class: "halo" }), svg("circle", { cx: x2, cy: y2, r: 18, class: "ring" }));
  } else {
    const left = [x2 - ux * 17 - uy * 8, y2 - uy * 17 + ux * 8], right = [x2 - ux * 17 + uy * 8, y2 - uy * 17 - ux * 8];
    group.append(svg("path", { d: `M${x2} ${y2}L${left}L${right}Z`, class: "point" }));
  }
  return group;
}

// Draw `position` into the SVG node: `moves` are [uci, "slip" | "refutation"], `marks` names of squares.
function drawBoard(node, position, { flip = false, moves = [], marks = [], label = "" } = {}) {
  const parts = [svg("rect", { x: 0, y: 0, width: 360, height: 360, class: "light" })];
  let dark = "";
  for (let row = 0; row < 8; row++) for (let column = (row + 1) % 2; column < 8; column += 2) dark += `M${column * UNIT} ${row * UNIT}h45v45h-45z`;
  parts.push(svg("path", { d: dark, class: "dark" }));
  for (const name of marks) {
    const [x, y] = centre(name, flip);
    parts.push(svg("rect", { x: x - 20, y: y - 20, width: 40, height: 40, class: "mark" }));
  }
  position.men.forEach((man, at) => {
    if (!man) return;
    const file = at % 8, rank = at >> 3;
    parts.push(svg("use", {
      href: "#man-" + (man < "a" ? "w" : "b") + man.toLowerCase(),
      x: UNIT * (flip ? 7 - file : file), y: UNIT * (flip ? rank : 7 - rank),
    }));
  });
  for (const [uci, kind] of moves) parts.push(drawMove(uci, flip, kind));
  parts.push(svg("rect", { x: 0, y: 0, width: 360, height: 360, class: "edge" }));
  for (let index = 0; index < 8; index++) {
    const file = svg("text", { x: UNIT * (index + 0.5), y: 374, class: "coordinate" });
    file.textContent = FILES[flip ? 7 - index : index];
    const rank = svg("text", { x: -9, y: UNIT * (index + 0.5) + 4, class: "coordinate" });
    rank.textContent = flip ? index + 1 : 8 - index;
    parts.push(file, rank);
  }
  node.setAttribute("aria-label", (label ? label + " " : "") + inWords(position));
  node.replaceChildren(...parts);
}

function emptyBoard() {
  return svg("svg", { viewBox: "-18 -2 380 380", role: "img", class: "board", "aria-label": "Board" });
}
