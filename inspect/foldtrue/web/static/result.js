"use strict";
// Draws the places that the server worked out on the photo. It moves, zooms and enlarges; it works out no figure.
const NS = "http://www.w3.org/2000/svg";
const viewer = document.getElementById("viewer");
const scene = document.getElementById("scene");
const slider = document.getElementById("magnify");
const sliderWords = document.getElementById("magnify-words");
const rows = new Map([...document.querySelectorAll("#twists tbody tr")].map((row) => [row.dataset.twist, row]));
const base = `/job/${viewer.dataset.job}/file`;
let places, view, unit, groups = new Map(), largest = 1;

function make(name, attributes, parent) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
}
const path = (points) => "M" + points.map((p) => p.join(" ")).join("L") + "Z";

function draw() {
  unit = Math.max(places.width_px, places.height_px) / 1600;
  make("image", { href: `${base}/picture.jpg`, width: places.width_px, height: places.height_px }, scene);
  line(scene, path(places.outline), "case", "plan", 1.2);
  for (const twist of places.twists) {
    const group = make("g", { class: "twist", "data-twist": twist.id }, scene);
    make("title", {}, group).textContent = said(twist.id);
    make("circle", { class: "ring", cx: twist.centre[0], cy: twist.centre[1], r: reach(twist) * 1.25, "stroke-width": 4 * unit }, group);
    if (!twist.found) make("path", { class: "unseen", d: path(twist.planned), "stroke-width": unit }, group);
    else twist.lines = [line(group, "", "found-case", "found", 5)].flat();
    line(group, path(twist.planned), "case", "plan", 1);
    if (twist.found) {
      twist.arrow = line(group, "", "error-case", "error", 2);
      twist.circle = [make("circle", { class: "error-case", "stroke-width": 3 * unit }, group), make("circle", { class: "error", "stroke-width": unit }, group)];
    }
    const text = make("text", { class: "name", x: twist.centre[0], y: twist.centre[1] - 12 * unit, "font-size": 30 * unit, "stroke-width": 6 * unit }, group);
    text.style.fontSize = `${30 * unit}px`;
    text.textContent = twist.found ? twist.id : `${twist.id} not measured`;
    group.addEventListener("click", () => choose(twist.id, false));
    groups.set(twist.id, group);
  }
  largest = Math.max(1, places.magnify);
  slider.value = 50;
  enlarge();
}
function line(parent, d, outer, inner, width) {
  return [make("path", { class: outer, d, "stroke-width": (width + 2) * unit, "stroke-linejoin": "round" }, parent),
    make("path", { class: inner, d, "stroke-width": width * unit, "stroke-linejoin": "round" }, parent)];
}
const reach = (twist) => Math.max(...twist.planned.map((p) => Math.hypot(p[0] - twist.centre[0], p[1] - twist.centre[1])));
function said(id) {
  const row = rows.get(id);
  return row ? [...row.cells].slice(0, 5).map((cell) => cell.textContent.trim()).join(", ") : id;
}
function enlarge() {
  const times = largest ** (slider.value / 100);
  sliderWords.textContent = `${times < 10 ? times.toFixed(1) : times.toFixed(0)} times`;
  for (const twist of places.twists) {
    if (!twist.found) continue;
    const grown = twist.found.map((p, i) => [twist.planned[i][0] + times * (p[0] - twist.planned[i][0]), twist.planned[i][1] + times * (p[1] - twist.planned[i][1])]);
    for (const each of twist.lines) each.setAttribute("d", path(grown));
    const [x, y] = twist.centre, end = [x + times * twist.error[0], y + times * twist.error[1]];
    for (const each of twist.arrow) each.setAttribute("d", `M${x} ${y}L${end[0]} ${end[1]}`);
    for (const each of twist.circle) {
      each.setAttribute("cx", end[0]); each.setAttribute("cy", end[1]); each.setAttribute("r", times * twist.u95_px);
    }
  }
}
function choose(id, move) {
  for (const group of groups.values()) group.classList.toggle("chosen", group.dataset.twist === id);
  for (const row of rows.values()) row.classList.toggle("chosen", row.dataset.twist === id);
  const twist = places.twists.find((each) => each.id === id);
  if (move && twist) {
    const size = 10 * reach(twist);
    look({ x: twist.centre[0] - size / 2, y: twist.centre[1] - size / 2, w: size, h: size });
    viewer.scrollIntoView({ block: "nearest" });
  } else rows.get(id)?.scrollIntoView({ block: "nearest" });
}
const all = () => ({ x: 0, y: 0, w: places.width_px, h: places.height_px });
function look(next) {
  const most = Math.max(places.width_px, places.height_px) * 1.5;
  const factor = Math.min(1, most / Math.max(next.w, next.h));
  view = { x: next.x, y: next.y, w: next.w * factor, h: next.h * factor };
  scene.setAttribute("viewBox", `${view.x} ${view.y} ${view.w} ${view.h}`);
}
function zoom(times, px, py) {
  const box = scene.getBoundingClientRect();
  const at = inPicture(px ?? box.left + box.width / 2, py ?? box.top + box.height / 2);
  const w = Math.min(Math.max(view.w / times, 60), places.width_px * 1.5), scale = w / view.w;
  look({ x: at.x - (at.x - view.x) * scale, y: at.y - (at.y - view.y) * scale, w, h: view.h * scale });
}
function inPicture(px, py) {
  const point = new DOMPoint(px, py).matrixTransform(scene.getScreenCTM().inverse());
  return { x: point.x, y: point.y };
}
const touches = new Map();
viewer.addEventListener("pointerdown", (event) => { touches.set(event.pointerId, event); });
viewer.addEventListener("pointermove", (event) => {
  const before = touches.get(event.pointerId);
  if (!before || !view) return;
  if (touches.size === 1) {
    if (Math.hypot(event.clientX - before.clientX, event.clientY - before.clientY) < 3) return;
    viewer.setPointerCapture(event.pointerId);
    const a = inPicture(before.clientX, before.clientY), b = inPicture(event.clientX, event.clientY);
    look({ ...view, x: view.x + a.x - b.x, y: view.y + a.y - b.y });
  } else {
    const other = [...touches.values()].find((each) => each.pointerId !== event.pointerId);
    const apart = (one) => Math.hypot(one.clientX - other.clientX, one.clientY - other.clientY);
    if (apart(before) > 0) zoom(apart(event) / apart(before), (event.clientX + other.clientX) / 2, (event.clientY + other.clientY) / 2);
  }
  touches.set(event.pointerId, event);
});
for (const kind of ["pointerup", "pointercancel", "pointerleave"]) viewer.addEventListener(kind, (event) => touches.delete(event.pointerId));
viewer.addEventListener("wheel", (event) => { event.preventDefault(); zoom(event.deltaY < 0 ? 1.2 : 1 / 1.2, event.clientX, event.clientY); }, { passive: false });
viewer.addEventListener("keydown", (event) => {
  const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
  if (step) look({ ...view, x: view.x + step[0] * view.w * 0.1, y: view.y + step[1] * view.h * 0.1 });
  else if (event.key === "+" || event.key === "=") zoom(1.25);
  else if (event.key === "-") zoom(0.8);
  else if (event.key === "0") look(all());
  else return;
  event.preventDefault();
});
document.getElementById("nearer").addEventListener("click", () => zoom(1.25));
document.getElementById("farther").addEventListener("click", () => zoom(0.8));
document.getElementById("whole").addEventListener("click", () => look(all()));
slider.addEventListener("input", enlarge);
for (const [id, row] of rows) row.querySelector("button").addEventListener("click", () => choose(id, true));

fetch(`${base}/picture.json`).then((answer) => answer.json()).then((known) => { places = known; draw(); look(all()); });
