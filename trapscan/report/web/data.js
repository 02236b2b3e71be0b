// What every part of the script shares: the findings, and the state of the page.
const DATA = JSON.parse(document.getElementById("data").textContent);
const STATE = { level: DATA.level, kinds: [], wrong: "", motif: "", gain: "", opening: "", state: "", chapter: "", known: false, text: "", board: "ours", view: "worth", found: false, open: [] };
const $ = (id) => document.getElementById(id);
