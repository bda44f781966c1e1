// The set-up of a case, filled in before gloves. The program checks it as it checks a file.
"use strict";

const SET_UP_BYTES = 1900; // the longest message that the program takes, and some
let setUpMade = "", setUpCanals = [], setUpKept = {}, setUpChecked = "";

function setUp() {
  const form = mayEnter ? view.form : null;
  $("setup-open").hidden = !form;
  if (!form) {
    $("setup").hidden = true;
    return;
  }
  const what = JSON.stringify([form, setUpCanals]);
  if (setUpMade === what) return;
  setUpMade = what;
  const canals = element("div");
  canals.id = "setup-canals";
  canals.append(...form.canals.map((name) => {
    const made = element("button", "", name), on = setUpCanals.includes(name);
    made.type = "button";
    made.setAttribute("aria-pressed", String(on));
    made.addEventListener("click", () => {
      setUpCanals = on ? setUpCanals.filter((one) => one !== name) : [...setUpCanals, name];
      setUpChanged();
      setUp();
      [...$("setup-canals").children].find((one) => one.textContent === name).focus();
    });
    return made;
  }), setUpProblem("canals"));
  const tooth = { name: "tooth", title: "Tooth, two digits", number: true, options: [] };
  $("setup-fields").replaceChildren(
    setUpGroup("Tooth", "", [tooth, ...form.texts]),
    setUpGroup("Case", "case", form.case),
    setUpGroup("Canals", "", [], canals),
    setUpGroup("Every canal", "every_canal", form.canal),
    ...setUpCanals.map((name) => setUpGroup(name, `canals.${name}`, form.canal)));
}

function setUpGroup(title, path, fields, more) {
  const box = element("fieldset");
  box.append(element("legend", "", title[0].toUpperCase() + title.slice(1)));
  if (more) box.append(more);
  box.append(...fields.map((field) => setUpField(field, path ? `${path}.${field.name}` : field.name)));
  return box;
}

function setUpField(field, path) {
  const chosen = !field.number && field.options.length, label = element("label", "", field.title);
  const made = element(chosen ? "select" : "input");
  if (chosen) {
    made.append(element("option", "", "\u2013"), ...field.options.map(([id, words]) => {
      const option = element("option", "", words);
      option.value = id;
      return option;
    }));
    made.firstChild.value = "";
  } else {
    made.inputMode = field.number ? "decimal" : "text";
    made.autocomplete = "off";
    made.maxLength = field.number ? 12 : 120;
    if (field.options.length) made.placeholder = `or ${field.options.map(([, words]) => words).join(", ")}`;
  }
  made.dataset.path = path;
  made.dataset.number = field.number ? "yes" : "no";
  made.value = setUpKept[path] || "";
  made.addEventListener("input", () => {
    setUpKept[path] = made.value;
    setUpChanged();
  });
  label.append(made, setUpProblem(path));
  return label;
}

function setUpProblem(path) {
  const made = element("span", "problem");
  made.dataset.problem = path;
  made.setAttribute("role", "alert");
  return made;
}

function setUpChanged() {
  setUpChecked = "";
  $("setup-begin").disabled = true;
  $("setup-lines").replaceChildren();
}

// Written as in a set-up file: numbers as numbers, everything else as words.
function setUpFilled() {
  const whole = { canals: Object.fromEntries(setUpCanals.map((name) => [name, {}])) };
  for (const one of $("setup-fields").querySelectorAll("[data-path]")) {
    const text = one.value.trim(), number = Number(text.replace(",", "."));
    if (!text) continue;
    const value = one.dataset.number === "yes" && Number.isFinite(number) ? number : text;
    const parts = one.dataset.path.split("."), name = parts.pop();
    let at = whole;
    for (const part of parts) at = at[part] ??= {};
    at[name] = value;
  }
  return whole;
}

function setUpSend(begin) {
  const filled = setUpFilled(), message = { kind: "set_up", set_up: filled, begin };
  setUpRefused("", "");
  if (filled.tooth === undefined) return setUpRefused("tooth", "The tooth is missing.");
  if (!setUpCanals.length) return setUpRefused("canals", "Choose the canals.");
  if (new TextEncoder().encode(JSON.stringify(message)).length > SET_UP_BYTES) {
    return setUpRefused("", "That is too much for one form: leave out what every canal has.");
  }
  setUpChecked = JSON.stringify(filled);
  if (!post(message)) setUpRefused("", "Not sent: no connection.");
}

function setUpRefused(field, text) {
  for (const one of $("setup-form").querySelectorAll("[data-problem]")) one.textContent = "";
  for (const one of $("setup-form").querySelectorAll("[aria-invalid]")) one.removeAttribute("aria-invalid");
  // A path that has no field of its own is told of the form.
  const find = (name) => [...$("setup-form").querySelectorAll(`[data-${name}]`)].find((one) => one.dataset[name] === field);
  const told = find("problem"), entered = find("path");
  if (told) told.textContent = text;
  setText("setup-problem", told ? "" : text);
  if (entered) {
    entered.setAttribute("aria-invalid", "true");
    entered.focus();
  }
}

function setUpAnswered(answer) {
  setUpRefused(answer.field, answer.problem);
  if (answer.taken) {
    $("setup").hidden = true;
    return;
  }
  // What was changed since it was sent has not been checked.
  const stands = !answer.problem && setUpChecked === JSON.stringify(setUpFilled());
  $("setup-begin").disabled = !stands;
  $("setup-lines").replaceChildren(...(stands ? answer.lines : []).map((line) => element("li", "", line)));
  if (stands) $("setup-begin").scrollIntoView({ block: "nearest" });
}

$("setup-open").addEventListener("click", () => { $("setup").hidden = !$("setup").hidden; });
$("setup-close").addEventListener("click", () => { $("setup").hidden = true; });
$("setup-begin").addEventListener("click", () => setUpSend(true));
$("setup-form").addEventListener("submit", (event) => {
  event.preventDefault();
  setUpSend(false);
});
// Letters chosen in the form are no keys of the case.
$("setup").addEventListener("keydown", (event) => event.stopPropagation());
