const MOST_PAIRS = 40; // a quarter of an hour

/** Pairs of all sounds, each once, in any order and either way round: which is preferred. */
class Pairs {
  constructor(count) {
    const all = [];
    for (let a = 0; a < count; a++) for (let b = a + 1; b < count; b++) all.push(drawn(2) ? [a, b] : [b, a]);
    this.pairs = shuffled(all).slice(0, MOST_PAIRS);
    this.answers = [];
    this.choices = [["a", "A"], ["b", "B"], ["none", "neither"]];
  }

  get total() { return this.pairs.length; }
  get done() { return this.answers.length === this.total; }
  get offered() { const [a, b] = this.pairs[this.answers.length]; return { A: a, B: b }; }
  get question() { return `Pair ${this.answers.length + 1} of ${this.total}: which do you prefer?`; }
  answer(word) { this.answers.push(word); }

  /** For each sound how often it was preferred, out of how many pairs, and how often neither was. */
  counts(count) {
    const found = Array.from({ length: count }, () => ({ preferred: 0, heard: 0, neither: 0 }));
    this.answers.forEach((word, n) => {
      const [a, b] = this.pairs[n];
      for (const each of [a, b]) { found[each].heard++; found[each].neither += word === "none"; }
      if (word !== "none") found[word === "a" ? a : b].preferred++;
    });
    return found;
  }

  lines(sounds) {
    const counts = this.counts(sounds.length).map((each, n) => ({ ...each, words: sounds[n].words }));
    counts.sort((one, other) => other.preferred - one.preferred);
    return counts.map((each) => `${each.words}: preferred ${each.preferred} of ${each.heard}, neither ${each.neither}`);
  }
}

/** X is one of two sounds: which. Told at the end alone: who stops when the count is good proves nothing. */
class Abx {
  constructor(a, b, total) {
    this.a = a;
    this.b = b;
    this.total = total;
    this.hidden = Array.from({ length: total }, () => drawn(2));
    this.answers = [];
    this.choices = [["a", "X is A"], ["b", "X is B"]];
  }

  get done() { return this.answers.length === this.total; }
  get offered() { return { A: this.a, B: this.b, X: this.hidden[this.answers.length] ? this.b : this.a }; }
  get question() { return `Time ${this.answers.length + 1} of ${this.total}: is X A or B?`; }
  answer(word) { this.answers.push(word); }
  get right() { return this.answers.filter((word, n) => (word === "b") === Boolean(this.hidden[n])).length; }

  lines(sounds) {
    const chance = byGuessing(this.right, this.total);
    const share = chance < 0.001 ? "less than 0.1" : (100 * chance).toFixed(1);
    const heard = chance < 0.05 ? "The two are told apart." : "It is not shown that the two can be told apart.";
    return [
      `A ${sounds[this.a].words}; B ${sounds[this.b].words}`,
      `${this.right} of ${this.total} right. By guessing alone, that many or more come in ${share} % of such tests. ${heard}`,
    ];
  }
}

/** What is kept of a listener: tests as they went, and what was written. */
class Notes {
  constructor(title) {
    this.title = title;
    this.tests = [];
  }

  add(test, sounds, level) {
    const name = test instanceof Abx ? "Do two differ" : "Which is preferred";
    const state = test.done ? "" : ` (stopped after ${test.answers.length} of ${test.total})`;
    this.tests.push({ head: `${name}${state}, ${level} level, ${new Date().toISOString()}`, test, lines: test.done ? test.lines(sounds) : [] });
  }

  text(written, sounds) {
    const out = [this.title, ""];
    for (const { head, test, lines } of this.tests) {
      out.push(head, ...lines.map((each) => `  ${each}`));
      test.answers.forEach((word, n) => out.push(`  ${n + 1}: ${this.told(test, n, word, sounds)}`));
      out.push("");
    }
    return [...out, written.trim(), ""].join("\n");
  }

  told(test, n, word, sounds) {
    if (test instanceof Abx) return `X was ${test.hidden[n] ? "B" : "A"}, said ${word.toUpperCase()}`;
    const [a, b] = test.pairs[n].map((each) => sounds[each].words);
    return `A ${a} | B ${b} | ${word === "none" ? "neither" : word.toUpperCase()}`;
  }
}
