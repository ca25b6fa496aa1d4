"use strict";
// The plan's outline on the photo, its corners to be dragged; a lens shows what lies under the one being moved.
const NS = "http://www.w3.org/2000/svg";
const board = document.getElementById("board");
const scene = document.getElementById("pin-scene");
const lens = document.getElementById("lens");
const base = `/job/${board.dataset.job}/file`;
let pins = [], handles = [], outline, unit;

function make(name, attributes, parent) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent.append(element);
  return element;
}
function show(index) {
  const d = "M" + pins.map((p) => p.join(" ")).join("L") + "Z";
  for (const each of outline) each.setAttribute("d", d);
  handles.forEach((handle, i) => {
    const [x, y] = pins[i];
    handle.setAttribute("transform", `translate(${x} ${y})`);
    handle.setAttribute("aria-valuenow", Math.round(x));
    handle.setAttribute("aria-valuetext", `${Math.round(x)} across, ${Math.round(y)} down`);
  });
  if (index === undefined) return;
  const [x, y] = pins[index], half = 30 * unit;
  lens.setAttribute("viewBox", `${x - half} ${y - half} ${2 * half} ${2 * half}`);
  lens.querySelector("path").setAttribute("d", `M${x - half} ${y}H${x + half}M${x} ${y - half}V${y + half}`);
  const box = board.getBoundingClientRect(), at = handles[index].getBoundingClientRect();
  lens.classList.toggle("left", at.left - box.left > box.width / 2);
}
function start(places) {
  const { width_px: width, height_px: height } = places;
  unit = Math.max(width, height) / 800;
  scene.setAttribute("viewBox", `0 0 ${width} ${height}`);
  make("image", { href: `${base}/picture.jpg`, width, height }, scene);
  make("image", { href: `${base}/picture.jpg`, width, height }, lens);
  make("path", { class: "cross", "stroke-width": unit / 2 }, lens);
  outline = [make("path", { class: "case", "stroke-width": 4 * unit }, scene), make("path", { class: "plan", "stroke-width": 1.5 * unit }, scene)];
  pins = places.pins.map((row) => [row[2], row[3]]);
  handles = pins.map((_, i) => {
    const handle = make("g", { class: "handle", tabindex: 0, role: "slider", "aria-valuemin": -width, "aria-valuemax": 2 * width, "aria-label": `Corner ${i + 1}` }, scene);
    make("circle", { r: 16 * unit, class: "grip", "stroke-width": 2 * unit }, handle);
    make("path", { d: `M${-22 * unit} 0H${22 * unit}M0 ${-22 * unit}V${22 * unit}`, class: "plan", "stroke-width": unit }, handle);
    const words = make("text", { class: "name", x: 18 * unit, y: -14 * unit, "stroke-width": 4 * unit }, handle);
    words.style.fontSize = `${18 * unit}px`;
    words.textContent = i + 1;
    handle.addEventListener("pointerdown", (event) => { handle.setPointerCapture(event.pointerId); handle.focus(); event.preventDefault(); });
    handle.addEventListener("pointermove", (event) => {
      if (!handle.hasPointerCapture(event.pointerId)) return;
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(scene.getScreenCTM().inverse());
      pins[i] = [Math.min(Math.max(at.x, -width), 2 * width), Math.min(Math.max(at.y, -height), 2 * height)];
      show(i);
    });
    handle.addEventListener("focus", () => { lens.classList.add("on"); show(i); });
    handle.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!step) return;
      const size = (event.shiftKey ? 20 : 2) * unit;
      pins[i] = [pins[i][0] + step[0] * size, pins[i][1] + step[1] * size];
      show(i);
      event.preventDefault();
    });
    return handle;
  });
  show();
}
document.getElementById("pin-form").addEventListener("submit", () => { document.getElementById("pins").value = JSON.stringify(pins); });
fetch(`${base}/picture.json`).then((answer) => answer.json()).then(start);
