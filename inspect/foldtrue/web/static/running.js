"use strict";
// Asks how far the job is, and loads the page anew when it is over.
const step = document.getElementById("step");
async function ask() {
  try {
    const answer = await fetch(`/job/${step.dataset.job}/state`, { cache: "no-store" });
    const now = await answer.json();
    if (now.state !== "waiting" && now.state !== "running") { location.reload(); return; }
    const words = now.step || "waiting for its turn";
    if (words !== step.textContent) step.textContent = words;
  } catch {
    step.textContent = "The server does not answer; the photo is kept, and measured when it is back.";
  }
  setTimeout(ask, 200);
}
ask();
