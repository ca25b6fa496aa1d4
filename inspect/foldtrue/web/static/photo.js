"use strict";
// Dropping files fills the form's own file field; what was chosen is said in words.
const form = document.getElementById("photo-form");
const drop = document.getElementById("drop");
const field = document.getElementById("photo");
const camera = document.getElementById("camera");
const chosen = document.getElementById("chosen");
function say() {
  const files = [...field.files, ...camera.files];
  chosen.textContent = files.length ? "Chosen: " + files.map((file) => file.name).join(", ") : "";
}
for (const kind of ["dragenter", "dragover"]) {
  drop.addEventListener(kind, (event) => { event.preventDefault(); drop.classList.add("over"); });
}
for (const kind of ["dragleave", "drop"]) drop.addEventListener(kind, () => drop.classList.remove("over"));
drop.addEventListener("drop", (event) => {
  event.preventDefault();
  const bag = new DataTransfer();
  for (const file of [...event.dataTransfer.files].slice(0, field.multiple ? 12 : 1)) bag.items.add(file);
  field.files = bag.files;
  say();
});
field.addEventListener("change", say);
camera.addEventListener("change", say);
form.addEventListener("submit", (event) => {
  if (!field.files.length && !camera.files.length) {
    event.preventDefault();
    chosen.textContent = "Choose a photo first.";
    field.focus();
    return;
  }
  document.getElementById("sending").textContent = "Sending to the measuring process on this machine ...";
});
