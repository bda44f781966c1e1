// The page: pairing, the link to the program, the countdown, keys. What is shown is worked
// out by the program (view.py); all text goes in as text, never as markup.
"use strict";

const $ = (id) => document.getElementById(id);
const BEAT_LOST_MS = 2200; // a beat comes every second
const IDLE_LOST_S = 3;
const BACKOFF_MS = [250, 500, 1000, 2000, 4000, 5000];
const KEY = "fillwarm-key";
const LONG = 80; // letters of a question

let socket = null, mayEnter = false, view = null, viewAt = 0, tries = 0;
let lastSeen = null, lastBeat = 0, idle = 0, ended = false, retry = 0, keysOn = true;

function element(name, className, text) {
  const made = document.createElement(name);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function setText(id, text) {
  if ($(id).textContent !== text) $(id).textContent = text; // unchanged is not read out again
}

// -- signs: a shape for each meaning, so that colour is never alone ------------------

const SIGNS = {
  warning: "M12 2L23 21H1ZM11 9V15H13V9ZM11 17V19H13V17Z",
  caution: "M12 2L23 21H1ZM12 6L20 19.5H4ZM11 10V15H13V10ZM11 16.5V18.5H13V16.5Z",
  trouble: "M7 1H17L23 7V17L17 23H7L1 17V7ZM8 6L6 8L10 12L6 16L8 18L12 14L16 18L18 16L14 12L18 8L16 6L12 10Z",
  question: "M12 1A11 11 0 1 0 12 23A11 11 0 1 0 12 1ZM8 9A4 4 0 1 1 13.2 13V15H10.8V11.3A1.8 1.8 0 1 0 10.2 9ZM10.8 16.8H13.2V19.2H10.8Z",
  paused: "M4 2H10V22H4ZM14 2H20V22H14Z",
  closed: "M3 3H21V21H3ZM6 6V18H18V6Z",
  signed: "M2 13L9 20L22 5L19 3L9 14.5L5 10.5Z",
  hears: "M9 2H15V13H9ZM5 10H7V15H17V10H19V17H13V20H17V22H7V20H11V17H5Z",
  others: "M9 2H15V13H9ZM5 10H7V15H17V10H19V17H13V20H17V22H7V20H11V17H5ZM1 1H4L23 20V23H20L1 4Z",
  speech: "M9 2H15V13H9ZM5 10H7V15H17V10H19V17H13V20H17V22H7V20H11V17H5ZM1 4H3V13H1ZM21 4H23V13H21Z",
  "in order": "M2 13L9 20L22 5L19 3L9 14.5L5 10.5Z",
  held: "M2 9H7L13 3V21L7 15H2ZM16 8H18V16H16ZM20 5H22V19H20Z",
  called: "M3 9H21V15H3ZM5 11V13H7V11ZM9 11V13H11V11ZM13 11V13H15V11Z",
  dead: "M7 1H17L23 7V17L17 23H7L1 17V7ZM8 6L6 8L10 12L6 16L8 18L12 14L16 18L18 16L14 12L18 8L16 6L12 10Z",
  off: "M2 5H22V19H2ZM5 8V10H7V8ZM9 8V10H11V8ZM13 8V10H15V8ZM17 8V10H19V8ZM6 14V16H18V14Z",
};

function sign(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("aria-hidden", "true");
  shape(svg, "path", { d: SIGNS[name] || SIGNS.question, fill: "currentColor", "fill-rule": "evenodd" });
  return svg;
}

// -- pairing ----------------------------------------------------------------------------

async function begin() {
  const secret = location.hash.slice(1);
  if (secret) {
    history.replaceState(null, "", location.pathname);
    if (await pairWith(secret)) return connect();
    return askForCode();
  }
  connect();
}

function askForCode(told) {
  $("page").hidden = true;
  $("lost").hidden = true;
  $("pairing").hidden = false;
  if (told) setText("pair-told", told);
  $("code").focus();
}

async function pairWith(code) {
  let answer, data = {};
  try {
    answer = await fetch("/pair", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code }),
    });
    data = await answer.json();
  } catch {
    setText("pair-told", "The program does not answer.");
    return false;
  }
  if (answer.ok) {
    localStorage.setItem(KEY, data.key);
    setText("pair-told", "");
    return true;
  }
  const told = {
    wrong: "That is not the code. The terminal shows the one that holds.",
    locked: `Too many wrong codes. Wait ${data.wait_s} seconds.`,
  };
  setText("pair-told", told[data.error] || "That cannot be a code.");
  return false;
}

$("pair").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (await pairWith($("code").value)) {
    $("code").value = "";
    connect();
  }
});

// -- the link ---------------------------------------------------------------------------

async function connect() {
  clearTimeout(retry);
  const key = localStorage.getItem(KEY) || "";
  try {
    const answer = await fetch("/who", { headers: { "X-Key": key }, signal: AbortSignal.timeout(3000) });
    if (answer.status === 401) return askForCode();
    if (!answer.ok) return again();
    mayEnter = (await answer.json()).right === "enter";
  } catch {
    return again();
  }
  const opened = new WebSocket(`${location.protocol.replace("http", "ws")}//${location.host}/live`, ["fillwarm", key]);
  socket = opened;
  opened.onmessage = (event) => receive(JSON.parse(event.data));
  opened.onclose = (event) => {
    if (socket === opened) socket = null;
    if (event.reason) setText("sent", event.reason);
    again();
  };
}

function again() {
  clearTimeout(retry);
  const wait = BACKOFF_MS[Math.min(tries++, BACKOFF_MS.length - 1)];
  retry = setTimeout(connect, wait * (0.8 + 0.4 * Math.random()));
}

function receive(message) {
  lastBeat = performance.now();
  lastSeen = new Date();
  tries = 0;
  ended = message.kind === "end";
  if (ended) return watchLink();
  if (message.kind === "pairing") return devices(message);
  if (message.kind === "set_up") return setUpAnswered(message);
  idle = message.idle_s;
  if (message.kind === "view" && message.view) {
    view = message.view;
    viewAt = performance.now() - 1000 * message.age_s;
    document.body.dataset.version = message.version;
    $("pairing").hidden = true;
    $("page").hidden = false;
    render();
  }
  watchLink();
}

function clock(date) {
  return [date.getHours(), date.getMinutes(), date.getSeconds()]
    .map((part) => String(part).padStart(2, "0")).join(":");
}

function linkTrouble() {
  if (!view) return "";
  const seen = lastSeen ? `last seen ${clock(lastSeen)}` : "not seen yet";
  if (ended) return `PROGRAM ENDED, ${seen}. What stands below is OLD.`;
  if (!socket || performance.now() - lastBeat > BEAT_LOST_MS) {
    return `CONNECTION LOST, ${seen}. What stands below is OLD.`;
  }
  if (idle > IDLE_LOST_S) return `PROGRAM NOT ANSWERING, ${seen}. What stands below is OLD.`;
  return "";
}

function watchLink() {
  const trouble = linkTrouble(), was = document.body.dataset.link;
  document.body.dataset.link = trouble ? "lost" : "live";
  $("lost").hidden = !trouble || !$("pairing").hidden;
  setText("lost", trouble);
  if (was !== document.body.dataset.link && view) layOut();
  if (socket && !ended && performance.now() - lastBeat > 2 * BEAT_LOST_MS) socket.close();
}

// -- the view ---------------------------------------------------------------------------

function render() {
  setText("place", [view.canal, view.phase].filter(Boolean).join(" \u00b7 ") || "Fillwarm");
  // What must not be cut off comes first.
  const about = [mayEnter ? "" : "watching only", view.demo && "INVENTED DATA", view.tooth && `tooth ${view.tooth}`, view.case];
  setText("case", about.filter(Boolean).join(" \u00b7 "));
  document.title = [view.canal, view.step].filter(Boolean).join(": ") || "Fillwarm";
  $("devices-open").hidden = !mayEnter;
  microphone();
  where();
  notices();
  setText("step", view.step);
  setText("ask", view.countdown ? "" : view.ask);
  setText("hints", view.countdown ? "" : view.hints.join(" "));
  heard();
  said();
  phrases();
  keys();
  entries();
  pad();
  setUp();
  $("depths").hidden = !view.strips.length;
  $("ring").hidden = !view.countdown;
  layOut();
  tick();
}

function microphone() {
  const mic = view.microphone, box = $("microphone"), name = mic ? mic.name : "";
  if (box.dataset.name === name) return;
  box.dataset.name = name;
  box.replaceChildren();
  if (mic) box.append(sign(mic.name), element("span", "", mic.words));
}

const WORDS = { warning: "WARNING", caution: "CAUTION", trouble: "TROUBLE", question: "ANSWER",
  paused: "PAUSED", closed: "CLOSED", signed: "SIGNED", "in order": "IN ORDER" };

function notices() {
  const wanted = view.notices.map((notice) => JSON.stringify(notice));
  const box = $("notices");
  const standing = new Map([...box.children].map((child) => [child.dataset.what, child]));
  // A notice that stays keeps its element, so that it is not read out again.
  box.replaceChildren(...view.notices.map((notice, i) => standing.get(wanted[i]) || one(notice, wanted[i])));
}

function one(notice, what) {
  const made = element("div", `notice ${notice.level.replace(" ", "-")}`);
  made.dataset.what = what;
  const text = element("div"), words = element("span"), parts = notice.text.match(/^(.*[.?!]) ([^.?!]+[.?!])$/);
  // Of a long question what it asks, its last sentence, keeps its size.
  if (notice.level === "question" && notice.text.length > LONG && parts) {
    words.append(element("span", "lead", `${parts[1]} `), parts[2]);
  } else words.textContent = notice.text;
  text.append(element("span", "word", WORDS[notice.level]), words);
  made.append(sign(notice.level), text);
  return made;
}

// What the voice is saying is marked where it stands; it is never left out for want of room.
function said() {
  const parts = view.said.map((text) => element("span", text === view.speaking ? "spoken" : "", `${text} `));
  const what = JSON.stringify([view.said, view.speaking]);
  if ($("said").dataset.what !== what) {
    $("said").dataset.what = what;
    $("said").replaceChildren(...parts);
  }
  $("last").dataset.speaking = view.said.includes(view.speaking) ? "yes" : "no";
}

function heard() {
  const box = $("heard"), last = view.heard, what = JSON.stringify([last, view.light]);
  if (box.dataset.what === what) return;
  box.dataset.what = what;
  box.replaceChildren();
  if (!last) return;
  box.dataset.light = view.light;
  const meter = element("span", "meter");
  meter.setAttribute("aria-hidden", "true");
  for (let i = 0; i < 5; i++) meter.append(element("i", last.confidence > i * 20 ? "on" : ""));
  const meaning = `${last.confidence} %, ${last.meaning}`;
  const how = element("span", "how");
  how.append(meter, element("span", "tag", meaning));
  box.append(element("span", "light", view.light || "heard"), element("q", "", last.text || "\u2026"), " ", how);
}

function phrases() {
  $("say").dataset.empty = view.say.length ? "no" : "yes";
  const elsewhere = new Set([...view.keys, ...view.canals].map((one) => one.line).filter(Boolean));
  const wanted = view.say.map((phrase) => {
    // By touch, what has a button of its own elsewhere or is no button needs none here.
    const twice = elsewhere.has(phrase.line) || (!phrase.line && !opensPad(phrase.text));
    return { ...phrase, mayEnter, twice };
  });
  replaceKept($("phrases"), wanted, (phrase) => {
    const item = element("li", [phrase.answers && "first", phrase.twice && "twice"].filter(Boolean).join(" "));
    if (mayEnter && phrase.line) item.append(button(phrase.text, phrase.line));
    else if (mayEnter && opensPad(phrase.text)) item.append(padButton(phrase.text));
    else item.append(element("span", "", phrase.text));
    return item;
  });
}

function keys() {
  $("enter").hidden = !mayEnter;
  replaceKept($("keys"), mayEnter ? view.keys : [], (key) => {
    const item = element("li");
    item.dataset.key = key.key;
    const made = button("", key.line, key.key);
    if (key.now) made.className = "now";
    if (key.key === "Space") made.classList.add("act");
    made.append(element("kbd", "", key.key), key.text);
    item.append(made);
    return item;
  });
}

function replaceKept(box, wanted, make) {
  const what = JSON.stringify(wanted);
  if (box.dataset.what === what) return;
  const focused = box.contains(document.activeElement) ? document.activeElement.dataset.line : null;
  box.dataset.what = what;
  box.replaceChildren(...wanted.map(make));
  if (focused !== null) {
    const same = [...box.querySelectorAll("button")].find((one) => one.dataset.line === focused);
    if (same) same.focus();
  }
}

function button(text, line, key) {
  const made = element("button", "", text);
  made.type = "button";
  made.dataset.line = line === null ? "" : line;
  if (key) made.dataset.key = key;
  made.addEventListener("click", (event) => {
    sendLine(line);
    // After a touch the pedal's Enter must not press this button again.
    if (event.detail > 0) made.blur();
  });
  return made;
}

// -- sizes: as large as fits, never smaller than near letters where far ones are wanted ----

function layOut() {
  phaseNames();
  placeEntries();
  const left = $("left"), root = document.documentElement.style;
  // What stands large is the question that waits: the step's, or the one before it.
  left.dataset.asked = view.notices.some((n) => ["question", "paused"].includes(n.level)) ? "yes" : "no";
  left.dataset.tight = "0";
  left.dataset.idle = view.ask || view.countdown ? "no" : "yes";
  let say = 1, fit = 1, first = 1;
  root.setProperty("--say", "1");
  root.setProperty("--fit", "1");
  root.setProperty("--first", "1");
  const over = () => left.scrollHeight > left.clientHeight + 1;
  const tooMuch = () => $("phrases").clientHeight > window.innerHeight * 0.34;
  const saySmaller = (least, wanted) => {
    while (say > least && wanted()) root.setProperty("--say", (say -= 0.1).toFixed(2));
  };
  const allSmaller = (least) => {
    while (fit > least && over()) root.setProperty("--fit", (fit -= 0.03).toFixed(2));
  };
  const tighter = (level) => { if (over()) left.dataset.tight = level; };
  if (window.innerWidth > 560) {
    // First what can always be said goes, then all but the question and warnings shrinks,
    // from readable at 3 m to readable at 2 m, then hints and what was heard go, and
    // warnings shrink last. The question keeps its size.
    saySmaller(0.6, tooMuch);
    allSmaller(0.9);
    tighter("1");
    allSmaller(0.68);
    saySmaller(0.5, over);
    tighter("2");
    tighter("3");
    while (first > 0.5 && over()) root.setProperty("--first", (first -= 0.03).toFixed(2));
    allSmaller(0.5);
  }
  document.body.dataset.fit = fit.toFixed(2);
  const px = (name) => {
    const probe = element("i");
    probe.style.cssText = `position:absolute;visibility:hidden;height:var(${name})`;
    document.body.append(probe);
    const size = probe.getBoundingClientRect().height;
    probe.remove();
    return size;
  };
  wholeRows($("say"), $("phrases"));
  wholeRows($("entered"), $("entries"));
  drawDepths($("depths"), view.strips, { near: px("--near"), hand: px("--hand") }, wholeTooth());
  placeEntries();
}

// What scrolls ends with a whole row: half a button looks like one that is broken.
function wholeRows(box, list) {
  box.style.maxHeight = box.style.minHeight = "";
  box.dataset.more = "no";
  if ((document.body.dataset.hand !== "touch" && box.id === "say") || window.innerWidth <= 560) return;
  const { top, bottom } = box.getBoundingClientRect();
  const ends = [...list.children].map((item) => item.getBoundingClientRect().bottom);
  const whole = ends.filter((end) => end <= bottom + 1);
  const more = whole.length > 0 && whole.length < ends.length;
  box.dataset.more = more ? "yes" : "no";
  // The rows and a little, and never more than the box has: it would push out what is above.
  if (more) box.style.maxHeight = box.style.minHeight = `${Math.min(bottom, Math.max(...whole) + 4) - top}px`;
}

// -- the countdown, on this page's own clock --------------------------------------------

let shownSecond = null;

function tick() {
  const timer = view && view.countdown;
  if (!timer) return (shownSecond = null);
  const unknown = document.body.dataset.link === "lost";
  const elapsed = timer.elapsed_s + (performance.now() - viewAt) / 1000;
  const hold = timer.mode === "hold", over = !hold && elapsed >= timer.target_s;
  const part = Math.min(1, elapsed / timer.target_s);
  const arc = $("ring").querySelector(".arc");
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
  const seconds = hold ? Math.max(0, Math.ceil(timer.target_s - elapsed)) : Math.floor(elapsed);
  const drawn = still ? (hold ? 1 - seconds / timer.target_s : Math.min(1, seconds / timer.target_s)) : part;
  const length = 1000 * (hold ? 1 - drawn : drawn);
  arc.setAttribute("stroke-dasharray", over ? "34 16" : `${length} 2000`);
  const now = `${seconds} ${over} ${unknown} ${timer.mode}`;
  if (now === shownSecond) return;
  shownSecond = now;
  const box = $("ring");
  box.dataset.mode = timer.mode;
  box.dataset.over = over ? "yes" : "no";
  box.querySelector(".number").textContent = unknown ? "?" : String(seconds);
  box.querySelector(".unit").textContent = unknown ? "not known" : hold ? "s to go" : timer.mode === "to_press" ? "s off" : "s on";
  const words = $("ring-words");
  const pressing = timer.mode === "to_press";
  const late = pressing ? "PRESS: LATE" : "HEAT OVER LIMIT", told = pressing ? "HEAT OFF: PRESS" : "HEAT ON";
  words.replaceChildren(hold ? "HOLD" : over ? late : told,
    element("small", "", `${hold ? "of" : "limit"} ${timer.target_s} s`));
}

function frame() {
  tick();
  requestAnimationFrame(frame);
}

// -- keys: each is a phrase the voice understands -----------------------------------------

function post(message) {
  if (!socket || socket.readyState !== WebSocket.OPEN || document.body.dataset.link === "lost") {
    setText("sent", "NOT SENT: no connection");
    return false;
  }
  socket.send(JSON.stringify(message));
  return true;
}

function sendLine(line) {
  const tap = line === null;
  if (!post(tap ? { kind: "tap" } : { kind: "line", text: line })) return false;
  setText("sent", tap ? "tapped" : `entered: ${line}`);
  return true;
}

$("typed").addEventListener("submit", (event) => {
  event.preventDefault();
  const line = $("line").value.trim();
  // An empty line is the pedal, as on the terminal.
  if (sendLine(line || null)) $("line").value = "";
});

document.addEventListener("keydown", (event) => {
  const plain = !(event.ctrlKey || event.altKey || event.metaKey || event.target instanceof HTMLInputElement);
  if (keysOn && plain && event.key.toLowerCase() === "t" && view && view.strips.length > 1) return showTooth();
  if (keysOn && plain && event.key.toLowerCase() === "s" && view && mayEnter) return $("devices-open").click();
  if (!mayEnter || $("page").hidden || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.key === "F9") return event.repeat || sendLine(null);
  const typing = event.target instanceof HTMLInputElement && event.target.type !== "checkbox";
  if (typing) {
    if (event.key === "Escape") event.target.blur();
    return;
  }
  if (event.repeat) return; // a pedal held down is one tap
  const onButton = event.target instanceof HTMLButtonElement || event.target instanceof HTMLInputElement;
  if (event.key === "Enter") {
    if (!onButton) sendLine(null);
    return;
  }
  if (event.key === " " && onButton) return;
  if (/^[0-9.]$/.test(event.key) || event.key === "/") {
    event.preventDefault();
    $("line").focus();
    if (event.key !== "/") $("line").value += event.key;
    return;
  }
  if (!keysOn || !view) return;
  const name = event.key === " " ? "Space" : event.key.toUpperCase();
  const key = view.keys.find((one) => one.key === name && one.line !== null);
  if (key) {
    event.preventDefault();
    sendLine(key.line);
  }
});

$("keys-on").addEventListener("change", (event) => {
  keysOn = event.target.checked;
});

new ResizeObserver(() => view && layOut()).observe(document.documentElement);
setInterval(watchLink, 250);
requestAnimationFrame(frame);
// Not before the other files are there: what comes first may need them.
document.addEventListener("DOMContentLoaded", begin);
