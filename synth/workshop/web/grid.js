const head = JSON.parse(document.getElementById("head").textContent);
const by = (id) => document.getElementById(id);
const made = (tag, words = "", more = {}) => Object.assign(document.createElement(tag), { textContent: words, ...more });
const page = { player: null, seen: null, test: null, notes: new Notes(head.title), unsaved: false };

/** A button for each sound: in a row where one thing varies, else in a table. */
function grid() {
  const buttons = head.sounds.map((each, n) => made("button", each.values.at(-1), {
    type: "button", title: each.words, onclick: () => pick(n), ariaLabel: each.words,
  }));
  head.sounds.forEach((each, n) => {
    if (each.level_dba !== null) buttons[n].append(made("small", `${each.level_dba.toFixed(0)} dB(A)`));
  });
  by("grid").append(head.keys.length > 1 ? table(buttons) : list(buttons));
  return buttons;
}

function list(buttons) {
  const all = made("ul");
  for (const each of buttons) { const item = made("li"); item.append(each); all.append(item); }
  const whole = made("div");
  whole.append(made("p", head.key_words[0]), all);
  return whole;
}

function table(buttons) {
  const across = [...new Set(head.sounds.map((each) => each.values.at(-1)))];
  const down = [...new Set(head.sounds.map((each) => JSON.stringify(each.values.slice(0, -1))))];
  const whole = made("table"), first = whole.createTHead().insertRow(), body = whole.createTBody();
  const corner = `${head.key_words.slice(0, -1).join(", ")} ↓  ${head.key_words.at(-1)} →`;
  first.append(made("th", corner), ...across.map((each) => made("th", each, { scope: "col" })));
  for (const line of down) {
    const row = body.insertRow();
    row.append(made("th", JSON.parse(line).join(", "), { scope: "row" }));
    for (const value of across) {
      const n = head.sounds.findIndex((each) => JSON.stringify(each.values) === JSON.stringify([...JSON.parse(line), value]));
      const cell = row.insertCell();
      cell.append(n < 0 ? "left out" : buttons[n]);
    }
  }
  return whole;
}

function pick(n) {
  if (page.test === null) page.player.select(n);
}

function shown() {
  const player = page.player, hidden = page.test !== null;
  buttons.forEach((each, n) => {
    each.setAttribute("aria-pressed", String(!hidden && n === player.current));
    each.disabled = hidden;
  });
  by("play").textContent = player.playing ? "Stop" : "Play";
  if (!hidden) by("now").textContent = head.sounds[player.current].words;
  page.seen.shown = player.current;
}

function level(word) {
  page.player.level = word;
  for (const each of document.getElementsByName("level")) each.checked = each.value === word;
  page.player.select(page.player.current);
}

function begin(test) {
  page.test = test;
  page.player.stop();
  page.player.seek(0);
  by("seen").hidden = by("setting").hidden = true;
  by("trial").hidden = false;
  by("result").replaceChildren();
  by("now").textContent = "A blind test: names are hidden";
  shown();
  ask();
}

/** The next question, or the end. */
function ask() {
  const test = page.test;
  if (test.done) return finish();
  by("question").textContent = test.question;
  by("listen").replaceChildren(...Object.keys(test.offered).map((letter) => made("button", `Hear ${letter}`, {
    type: "button", onclick: () => hear(letter),
  })));
  by("answer").replaceChildren(...test.choices.map(([word, words]) => made("button", words, {
    type: "button", onclick: () => { test.answer(word); page.unsaved = true; ask(); },
  })));
  by("listen").firstChild.focus();
  page.player.stop();
  page.player.seek(0);
  return undefined;
}

function hear(letter) {
  page.player.select(page.test.offered[letter]);
  page.player.play();
  for (const each of by("listen").children) each.setAttribute("aria-pressed", String(each.textContent === `Hear ${letter}`));
}

function finish() {
  const test = page.test;
  page.notes.add(test, head.sounds, page.player.level);
  page.test = null;
  page.player.stop();
  by("seen").hidden = by("setting").hidden = false;
  by("trial").hidden = true;
  const told = test.done ? test.lines(head.sounds) : ["Stopped; what was answered is in the notes, without a count."];
  by("result").replaceChildren(...told.map((line) => made("p", line)));
  by("prefer").focus();
  shown();
}

function save() {
  const text = page.notes.text(by("notes").value, head.sounds);
  const link = made("a", "", { download: "listening-notes.txt", href: URL.createObjectURL(new Blob([text], { type: "text/plain" })) });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  page.unsaved = false;
  by("saved").textContent = "saved as listening-notes.txt";
}

function key(event) {
  const typing = event.target.closest("textarea, select, input:not([type=checkbox]):not([type=radio]):not([type=range])");
  if (typing || event.ctrlKey || event.metaKey || event.altKey || page.player === null) return;
  const range = event.target.matches("input"), player = page.player, n = head.sounds.length;
  const steps = { ArrowRight: 1, ArrowDown: head.across, ArrowLeft: -1, ArrowUp: -head.across };
  if (event.key === " " && page.test === null && !event.target.matches("button:not(#grid button), input, summary")) toggle();
  else if (event.key.toLowerCase() === "m") level(player.level === "true" ? "matched" : "true");
  else if (page.test !== null && event.key.toUpperCase() in page.test.offered) hear(event.key.toUpperCase());
  else if (page.test !== null || range) return;
  else if (event.key in steps) pick((((player.current + steps[event.key]) % n) + n) % n);
  else if (/^[1-9]$/.test(event.key) && event.key <= n) pick(event.key - 1);
  else return;
  if (event.key.startsWith("Arrow")) buttons[player.current].focus();
  event.preventDefault();
}

function toggle() {
  if (page.player.playing) page.player.stop();
  else page.player.play();
}

function wire() {
  by("play").onclick = toggle;
  by("loop").onchange = () => { page.player.loop = by("loop").checked; page.player.seek(page.player.moment()); };
  for (const each of document.getElementsByName("level")) each.onchange = () => level(each.value);
  by("down").oninput = () => {
    page.player.down = Number(by("down").value);
    by("down-db").textContent = `${by("down").value} dB`;
    page.player.select(page.player.current);
  };
  by("spectrogram").onclick = (event) => page.player.seek(page.seen.moment(event));
  by("prefer").onclick = () => { level("matched"); begin(new Pairs(head.sounds.length)); };
  by("abx").onclick = () => {
    const [a, b] = ["abx-a", "abx-b"].map((id) => Number(by(id).value));
    const times = Math.min(100, Math.max(5, Math.round(Number(by("abx-times").value)) || 12));
    if (a === b) by("result").replaceChildren(made("p", "Choose two that are not the same."));
    else begin(new Abx(a, b, times));
  };
  by("stop").onclick = finish;
  by("save").onclick = save;
  by("notes").oninput = () => { page.unsaved = true; };
  addEventListener("keydown", key);
  addEventListener("beforeunload", (event) => { if (page.unsaved) event.preventDefault(); });
}

function run() {
  if (!by("seen").hidden) page.seen.draw(page.player.moment());
  requestAnimationFrame(run);
}

const buttons = grid();
for (const each of ["abx-a", "abx-b"]) by(each).append(...head.sounds.map((sound, n) => made("option", sound.words, { value: String(n) })));
by("abx-b").selectedIndex = Math.min(1, head.sounds.length - 1);
for (const each of ["prefer", "abx"]) by(each).disabled = head.sounds.length < 2;
by("about").textContent = head.about;
by("scale").textContent = head.scale;
by("left-out").hidden = head.left_out.length === 0;
by("left-out").querySelector("ul").append(...head.left_out.map((each) => made("li", each)));
window.listening = {
  head, page, Player, Pairs, Abx, Notes, byGuessing,
  ready: decoded(head.sounds, head.rate, (n) => { by("now").textContent = `Getting the sounds ready: ${n} of ${head.sounds.length}`; }).then((buffers) => {
    page.player = new Player(buffers, head.sounds);
    page.seen = new Spectrogram(by("spectrogram"), head);
    page.player.changed = shown;
    wire();
    shown();
    run();
  }),
};
