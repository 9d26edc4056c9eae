"use strict";

/* Texts of the warehouse reach the page as text nodes only; the page's policy refuses anything else. */

const AFTER_SHOWN = 200; // milliseconds in which a key counts for nothing: it was meant for the question before
const TRY_AGAIN = 1000;
const ANSWER_WITHIN = 15000;
const TICKS = 250;
const FEW = 7; // labels that stand one below the other
const KEYS = { unsure: "q", unusable: "w", undo: "z", opinion: "m" };
const LETTERS = "abcdefghijklnoprstuvxy";

const page = {};
for (const element of document.querySelectorAll("[id]")) page[element.id] = element;

let setup = null; // what the server told first: askings, bands, who answers
let question = null;
let last = null;
let keys = new Map(); // key -> answer, of the question in view
let frame = 0;
let shownAt = 0;
let isArmed = false;
let isSending = false;

start();

async function start() {
  document.addEventListener("keydown", press);
  page.number.addEventListener("submit", (event) => {
    event.preventDefault();
    giveNumber();
  });
  await load();
}

async function load() {
  const state = await ask("state");
  if (!state) return;
  setup = state;
  page.who.textContent = state.annotator;
  show(state);
}

/* Talking to the server: a reply that does not come is asked for again, which never writes twice. */

async function ask(path, body) {
  for (;;) {
    let reply;
    let told;
    try {
      reply = await fetch(path, describe(body));
      if (reply.status === 403) {
        alarm("This page has ended. Start `turnrow answer` again and open the address that it prints: every answer that was called saved is kept.");
        return null;
      }
      told = await reply.json();
    } catch {
      alarm(body ? "Not saved yet: the page's own server does not answer. Trying again." : "The page's own server does not answer. Trying again.");
      await wait(TRY_AGAIN);
      continue;
    }
    if (reply.ok) {
      alarm("");
      return told;
    }
    if (reply.status !== 507) {
      alarm(`Not saved: ${told.error}`);
      return undefined;
    }
    alarm(`Not saved yet: ${told.error}. Trying again.`);
    await wait(TRY_AGAIN);
  }
}

function describe(body) {
  const common = { cache: "no-store", credentials: "omit", signal: AbortSignal.timeout(ANSWER_WITHIN) };
  if (!body) return common;
  return { ...common, method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
}

function wait(milliseconds) {
  return new Promise((resolve) => setTimeout(resolve, milliseconds));
}

function alarm(text) {
  page.alarm.textContent = text;
  page.alarm.hidden = text === "";
}

async function change(path, body, then) {
  if (isSending) return;
  isSending = true;
  try {
    const state = await ask(path, body);
    if (state) then(state);
    else if (state === undefined) await refresh();
  } finally {
    isSending = false;
  }
}

/* After a refusal: another window may have gone on meanwhile. The alarm stays in view. */
async function refresh() {
  const text = page.alarm.textContent;
  await load();
  alarm(text);
}

function give(answer) {
  if (!isArmed || isSending || !question) return;
  arm(false);
  mark(answer);
  const seconds = (performance.now() - shownAt) / 1000;
  change("answer", { fix_id: question.fix_id, answer, seconds }, (state) => {
    show(state);
    tell(`Saved: ${answer}`);
    tellOpinion(state.opinion, "On that one");
  });
}

function giveNumber() {
  const text = page.value.value.trim();
  if (!/^[+-]?(\d+\.?\d*|\.\d+)$/.test(text)) {
    alarm("Write a number, as in 2.5");
    return;
  }
  alarm("");
  give(text);
}

function takeBack() {
  if (!last) return;
  const taken = last;
  change("undo", { fix_id: taken.fix_id }, (state) => {
    show(state);
    tell(`Taken back: ${taken.answer}`);
    tellOpinion(null);
  });
}

function seeOpinion() {
  if (!setup.may_peek || !question) return;
  change("opinion", { fix_id: question.fix_id }, (told) => {
    tell(told.opinion ? "Asked, and noted" : "Asked");
    tellOpinion(told.opinion, "On this one", "nothing is shown of this one before its answer or after");
  });
}

/* The state in view. */

function show(state) {
  question = state.question;
  last = state.last;
  showFurrow(state.marks);
  const answered = [...state.marks].filter((mark) => mark === "1").length;
  page.furrow.setAttribute("aria-valuemax", state.marks.length);
  page.furrow.setAttribute("aria-valuenow", answered);
  page.count.textContent = `${answered} of ${state.marks.length} answered`;
  page.back.replaceChildren();
  if (question && setup.may_peek) page.back.append(button(KEYS.opinion, "the model's word", seeOpinion));
  if (last) page.back.append(button(KEYS.undo, `take back ${shorten(last.answer)}`, takeBack));
  page.finished.hidden = question !== null;
  document.body.classList.toggle("ended", question === null);
  page.field.hidden = page.notes.hidden = question === null;
  if (question) showQuestion();
  else showEnd(state);
}

/* One tick a question; where there are very many, one for a few. */
function showFurrow(marks) {
  const each = Math.ceil(marks.length / TICKS);
  const now = Math.floor(marks.indexOf("0") / each);
  page.furrow.replaceChildren(...Array.from({ length: Math.ceil(marks.length / each) || 0 }, (_, place) => {
    const tick = make("i");
    if (place === now) tick.className = "now";
    else if (!marks.slice(place * each, (place + 1) * each).includes("0")) tick.className = "done";
    return tick;
  }));
}

async function showQuestion() {
  const asked = question;
  const asking = setup.askings[asked.attribute];
  const isNumber = asking.kind === "number";
  arm(false);
  page.question.textContent = asking.question;
  page.labels.hidden = isNumber;
  page.number.hidden = !isNumber;
  keys = assignKeys(asking);
  page.labels.className = asking.labels.length > FEW ? "many" : "";
  page.labels.replaceChildren(...offer([...keys].filter(([, answer]) => asking.labels.includes(answer)), asking.labels));
  page.without.replaceChildren(...offer([[KEYS.unsure, "unsure"], [KEYS.unusable, "unusable"]], []));
  page.unit.textContent = asking.unit;
  page.value.value = "";
  if (isNumber) page.value.focus();
  else if (document.activeElement !== document.body) document.activeElement.blur();
  page.ask.scrollTop = 0;
  showFacts(asked);
  showGuideline(asking);
  await showWhat(asked);
  await wait(AFTER_SHOWN);
  if (question === asked) {
    shownAt = performance.now() - AFTER_SHOWN;
    arm(true);
  }
}

function arm(isReady) {
  isArmed = isReady;
  page.ask.setAttribute("aria-busy", String(!isReady));
}

function assignKeys(asking) {
  const names = [..."123456789", ...LETTERS, ...[...LETTERS].map((letter) => `⇧${letter}`)];
  const assigned = asking.labels.slice(0, names.length).map((label, place) => [names[place], label]);
  return new Map([...assigned, [KEYS.unsure, "unsure"], [KEYS.unusable, "unusable"]]);
}

function offer(pairs, labels) {
  const beyond = labels.slice(pairs.length).map((label) => ["", label]);
  return [...pairs, ...beyond].map(([key, answer]) => {
    const made = button(key, answer, () => give(answer));
    made.dataset.answer = answer;
    return made;
  });
}

function mark(answer) {
  for (const made of page.ask.querySelectorAll("button")) {
    made.classList.toggle("given", made.dataset.answer === answer);
  }
}

async function showWhat(asked) {
  const hasPicture = asked.frames.length > 0;
  page.picture.hidden = !hasPicture;
  page.plot.toggleAttribute("hidden", hasPicture || !asked.features);
  page.nothing.hidden = hasPicture || asked.features !== null;
  page.nothing.textContent = "There is neither a picture nor a vector of features of this sample: `unusable` says so.";
  page.strip.hidden = asked.frames.length < 2;
  page.strip.replaceChildren(...(asked.frames.length < 2 ? [] : asked.frames.map(makeThumbnail)));
  if (hasPicture) {
    const offsets = asked.frames.map((each) => Math.abs(each.offset_seconds));
    await showFrame(offsets.indexOf(Math.min(...offsets)));
    return;
  }
  page.caption.textContent = "";
  if (asked.features) drawPlot(asked.features, setup.bands[asked.attribute] || null);
}

async function showFrame(place) {
  frame = place;
  const { number, offset_seconds: offset } = question.frames[place];
  page.picture.src = `picture/${number}`;
  page.caption.textContent = question.frames.length > 1 || offset !== 0 ? `${nameOffset(offset)} · frame ${place + 1} of ${question.frames.length}, ← and → show the others` : nameOffset(offset);
  [...page.strip.children].forEach((made, index) => made.setAttribute("aria-pressed", String(index === place)));
  try {
    await page.picture.decode();
    page.picture.classList.toggle("tiny", page.picture.naturalWidth < 200);
  } catch {
    page.caption.textContent = "This picture cannot be shown.";
  }
}

function makeThumbnail(each, place) {
  const made = make("button");
  made.type = "button";
  const image = make("img");
  image.alt = nameOffset(each.offset_seconds);
  image.addEventListener("load", () => image.classList.toggle("tiny", image.naturalWidth < 200));
  image.src = `picture/${each.number}`;
  made.classList.toggle("asked", each.offset_seconds === 0);
  made.append(image);
  made.addEventListener("click", () => {
    showFrame(place);
    made.blur();
  });
  return made;
}

function nameOffset(seconds) {
  if (seconds === 0) return "the moment in question";
  return `${spell(Math.abs(seconds))} s ${seconds < 0 ? "before" : "after"}`;
}

function spell(value) {
  return String(Number(value.toPrecision(3)));
}

function drawPlot(values, band) {
  const width = 1000;
  const height = 600;
  const all = band ? [...values, ...band.flat(), 0] : [...values, 0];
  const low = Math.min(...all);
  const span = Math.max(...all) - low || 1;
  const x = (place) => (values.length > 1 ? (place / (values.length - 1)) * width : width / 2);
  const y = (value) => height - ((value - low) / span) * height;
  const line = (points) => points.map(([place, value], index) => `${index ? "L" : "M"}${x(place).toFixed(1)} ${y(value).toFixed(1)}`).join("");
  page.plot.setAttribute("viewBox", `0 0 ${width} ${height}`);
  page.plot.replaceChildren();
  if (band) {
    const upper = band.map(([, high], place) => [place, high]);
    const lower = band.map(([least], place) => [place, least]).reverse();
    page.plot.append(draw("band", `${line([...upper, ...lower])}Z`));
  }
  page.plot.append(draw("zero", `M0 ${y(0)}H${width}`), draw("value", line(values.map((value, place) => [place, value]))));
  page.caption.textContent = `no picture: ${values.length} features, ${spell(Math.min(...values))} to ${spell(Math.max(...values))}${band ? "; shaded: four in five of this batch" : ""}`;
}

function draw(name, path) {
  const drawn = document.createElementNS("http://www.w3.org/2000/svg", "path");
  drawn.setAttribute("class", name);
  drawn.setAttribute("d", path);
  return drawn;
}

function showFacts(asked) {
  const moment = asked.observed_at.replace("T", " ").replace("Z", " UTC").replace(/(\.\d*?)0+ /, "$1 ");
  const facts = [["seen", moment], ["recording", asked.recording_id], ["object", asked.object_id], ...asked.context];
  page.facts.replaceChildren(...facts.flatMap(([name, text]) => [make("dt", name.replaceAll("_", " ")), make("dd", text)]));
}

function showGuideline(asking) {
  page.guide.hidden = asking.guideline === "";
  if (page.guideline.dataset.attribute === asking.attribute) return;
  page.guideline.dataset.attribute = asking.attribute;
  page.guide.scrollTop = 0;
  page.guideline.replaceChildren(...cutParagraphs(asking.guideline).map((text) => {
    const heading = /^#+ +(.*)/s.exec(text);
    if (heading) return make("h3", heading[1]);
    const item = /^[-*] +(.*)/s.exec(text);
    const made = make("p");
    if (item) made.className = "item";
    fill(made, item ? item[1] : text);
    return made;
  }));
}

/* A paragraph ends at an empty line; a heading and a list's item begin one of their own. */
function cutParagraphs(text) {
  const paragraphs = [[]];
  for (const written of text.split(/\r?\n/)) {
    const bare = written.trim();
    const current = paragraphs[paragraphs.length - 1];
    if (bare === "") paragraphs.push([]);
    else if (current.length && !/^(#+|[-*]) /.test(bare) && !current[0].startsWith("#")) current.push(bare);
    else paragraphs.push([bare]);
  }
  return paragraphs.filter((lines) => lines.length).map((lines) => lines.join(" "));
}

function fill(element, text) {
  for (const part of text.split(/(\*\*[^*]+\*\*|`[^`]+`)/)) {
    if (part.startsWith("**")) element.append(make("b", part.slice(2, -2)));
    else if (part.startsWith("`")) element.append(make("code", part.slice(1, -1)));
    else element.append(part);
  }
}

function showEnd(state) {
  arm(false);
  page.question.textContent = state.marks ? "All of this batch is answered." : "There is nothing to answer.";
  page.labels.replaceChildren();
  page.without.replaceChildren();
  page.number.hidden = true;
  const where = make("p");
  fill(where, `The answers are kept in ${state.files.map((name) => `\`${name}\``).join(", ")}: \`turnrow queue import\` or the next nightly takes them in.`);
  page.finished.replaceChildren(where, make("p", "Ctrl-C in the terminal ends this page."));
}

function tell(text) {
  page.saved.textContent = text;
}

function tellOpinion(opinion, about, otherwise) {
  page.opinion.replaceChildren();
  page.opinion.hidden = !opinion && !otherwise;
  if (page.opinion.hidden) return;
  if (!opinion) {
    page.opinion.append(`${about}: ${otherwise}.`);
    return;
  }
  const sure = opinion.confidence === null ? "" : ` (${opinion.confidence.toFixed(2)})`;
  page.opinion.append(`${about}: the model says `, make("b", `${opinion.predicted}${sure}`));
  if (opinion.neighbours.length) {
    const nearest = opinion.neighbours.map((each) => `${each.label} ${each.likeness.toFixed(2)}`).join(", ");
    page.opinion.append("; the settled samples most like it are ", make("b", nearest));
  }
}

function make(name, text) {
  const element = document.createElement(name);
  if (text !== undefined) element.textContent = text;
  return element;
}

function button(key, text, act) {
  const made = make("button");
  made.type = "button";
  if (key) made.append(make("kbd", key));
  made.append(make("span", text));
  made.addEventListener("click", () => {
    made.blur();
    act();
  });
  return made;
}

function shorten(text) {
  return text.length > 24 ? `${text.slice(0, 23)}…` : text;
}

/* Keys. */

function press(event) {
  if (event.repeat || event.ctrlKey || event.metaKey || event.altKey || event.isComposing || !setup) return;
  const name = nameKey(event);
  const act = chooseAct(name, event.target === page.value);
  if (!act) return;
  event.preventDefault();
  act();
}

function nameKey(event) {
  if (/^[0-9]$/.test(event.key)) return event.key;
  const digit = /^Digit([0-9])$/.exec(event.code); // a row of digits that needs Shift, as on French keyboards
  if (digit && !/^[a-z]$/i.test(event.key)) return digit[1];
  const letter = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  return event.shiftKey && letter.length === 1 ? `⇧${letter}` : letter;
}

function chooseAct(name, isTyping) {
  if (name === KEYS.undo) return takeBack;
  if (name === KEYS.opinion) return seeOpinion;
  if (!question) return null;
  if (keys.has(name) && !(isTyping && /^[0-9]$/.test(name))) return () => give(keys.get(name));
  if (!isTyping && name === "ArrowLeft" && frame > 0) return () => showFrame(frame - 1);
  if (!isTyping && name === "ArrowRight" && frame < question.frames.length - 1) return () => showFrame(frame + 1);
  return null;
}
