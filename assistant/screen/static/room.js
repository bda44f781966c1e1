// Where the case is: canals, phases, times, the last entries; and how this screen looks.
"use strict";

const LOOKS = "fillwarm-looks";

function where() {
  replaceKept($("canals"), view.canals.map((canal) => ({ ...canal, mayEnter })), (canal) => {
    const item = element("li"), words = canal.finished && !canal.absent ? `\u2713 ${canal.name}` : canal.name;
    const made = canal.line && mayEnter ? button(words, canal.line) : element("span", "here", words);
    if (canal.active) made.setAttribute("aria-current", "true");
    else made.classList.remove("here");
    made.classList.add("chip");
    if (canal.absent) {
      made.dataset.absent = "yes";
      made.append(element("span", "unseen", " not there"));
    }
    if (canal.warnings) {
      made.dataset.warnings = canal.warnings;
      const mark = element("span", "mark", `! ${canal.warnings}`);
      mark.setAttribute("aria-label", `warnings to answer: ${canal.warnings}`);
      mark.setAttribute("role", "img");
      made.append(mark);
    }
    item.append(made);
    return item;
  });
  replaceKept($("phases"), view.course.phases, (phase) => {
    const done = phase.place === "done", item = element("li", "", done ? "\u2713" : `${phase.name} ${phase.left}`);
    if (done) item.append(element("span", "unseen", ` ${phase.name}`));
    item.dataset.place = phase.place;
    if (phase.place === "now") item.setAttribute("aria-current", "step");
    return item;
  });
  setText("next", view.course.next ? `steps left ${view.course.left} \u00b7 next: ${view.course.next}` : "");
  times();
}

// A name that has no room is left out whole; the stretch of its phase stays.
function phaseNames() {
  const ahead = [...$("phases").querySelectorAll("[data-place=ahead]")];
  for (const item of ahead) item.dataset.cut = "no";
  const cut = ahead.filter((item) => item.scrollWidth > item.clientWidth + 1);
  for (const item of cut) item.dataset.cut = "yes";
}

function minutes(seconds) {
  const whole = Math.floor(seconds);
  if (whole >= 3600) return `${Math.floor(whole / 3600)} h ${Math.floor(whole / 60) % 60}`;
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

function times() {
  if (!view) return;
  const since = view.signed ? 0 : (performance.now() - viewAt) / 1000, off = view.course.heat_off_s;
  const parts = [element("span", "tag", "case "), element("b", "", minutes(view.course.case_s + since))];
  if (off !== null) {
    parts.push(element("span", "tag", " heat off "), element("b", "", minutes(off + since)));
  }
  const text = parts.map((part) => part.textContent).join("");
  if ($("times").textContent !== text) $("times").replaceChildren(...parts);
}

function entries() {
  const course = view.course, over = course.summary.length > 0;
  $("entered").dataset.summary = over ? "yes" : "no";
  setText("entered-title", over ? `Summary, signed after ${minutes(course.case_s)}` : "Last entries");
  $("entered").hidden = !course.last.length;
  const wanted = over ? course.summary.map((text) => ({ text, mark: "" })) : course.last;
  replaceKept($("entries"), wanted.map((one) => ({ ...one, mayEnter })), (one) => {
    const item = element("li");
    item.dataset.mark = one.mark;
    item.append(element("span", "", one.text));
    if (one.mark) item.append(element("em", "mark", one.mark));
    if (mayEnter && one.undo) item.append(button("Undo", one.undo));
    if (mayEnter && one.correct) {
      const made = element("button", "", "Correct");
      made.type = "button";
      made.setAttribute("aria-label", `Correct: ${one.text}`);
      made.addEventListener("click", () => usePad(one.kind, one.correct, `Correct: ${one.text}`));
      item.append(made);
    }
    return item;
  });
}

// -- the whole tooth, in the place of the canal that is worked in ---------------------------

let toothAsked = false;

function wholeTooth() {
  return view.strips.length > 0 && (toothAsked || !view.strips.some((strip) => strip.active));
}

// The pad, and the tooth where no canal is worked in, need the room beside the question; a
// phone has none there. Beside a tooth that was asked for there is none for entries.
function placeEntries() {
  const resting = !view.strips.some((strip) => strip.active) && view.strips.length > 0;
  const phone = window.innerWidth <= 560, there = !phone && (looks.hand === "touch" || resting);
  const box = $("entered");
  $("right").dataset.whole = wholeTooth() && !there && !phone ? "yes" : "no";
  if (there && box.parentElement !== $("left")) $("left").append(box);
  else if (!there && box.parentElement === $("left")) $("depths").after(box);
  // What scrolls can be reached by keys.
  box.tabIndex = box.scrollHeight > box.clientHeight + 1 ? 0 : -1;
  $("tooth-open").hidden = view.strips.length < 2;
  $("tooth-open").setAttribute("aria-pressed", String(wholeTooth()));
}

function showTooth() {
  toothAsked = !toothAsked;
  if (view) layOut();
}

$("tooth-open").addEventListener("click", showTooth);

// -- looks: kept for this screen alone ----------------------------------------------------

const coarse = matchMedia("(pointer: coarse)").matches;
const looks = { theme: matchMedia("(prefers-contrast: more)").matches ? "contrast" : "dark",
  dim: "0", hand: coarse ? "touch" : "keys", ...JSON.parse(localStorage.getItem(LOOKS) || "{}") };

function wear() {
  document.documentElement.dataset.theme = looks.theme;
  document.body.dataset.dim = looks.dim;
  document.body.dataset.hand = looks.hand;
  const choice = (id, name, choices) => $(id).replaceChildren(...choices.map(([value, text]) => {
    const item = element("li"), made = element("button", "", text);
    made.type = "button";
    made.setAttribute("aria-pressed", String(looks[name] === value));
    made.addEventListener("click", () => {
      looks[name] = value;
      localStorage.setItem(LOOKS, JSON.stringify(looks));
      wear();
    });
    item.append(made);
    return item;
  }));
  choice("themes", "theme", [["dark", "Dark room"], ["bright", "Bright room"], ["contrast", "Contrast"]]);
  choice("dims", "dim", [["0", "Full"], ["1", "Dimmed"], ["2", "Dark"]]);
  choice("hands", "hand", [["keys", "Keys"], ["touch", "Touch"]]);
  if (view) render();
}

$("looks-open").addEventListener("click", () => { $("looks").hidden = !$("looks").hidden; });
$("looks-close").addEventListener("click", () => { $("looks").hidden = true; });
setInterval(times, 500);
