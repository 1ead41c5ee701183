/* Keeps taps in the browser until the server has them: each with its own id and time, under a key of its own, so that two
   open pages never write over each other's. The page works without this; it is only for when the network is gone. */
"use strict";
(() => {
  const MARK = "calib-tap ";
  const board = () => document.getElementById("board");
  const say = (text) => { document.getElementById("done").textContent = text; };
  const kept = () => Object.keys(localStorage).filter((key) => key.startsWith(MARK))
    .map((key) => JSON.parse(localStorage.getItem(key))).sort((a, b) => a.order - b.order);
  const newId = () => [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, "0")).join("");
  const clock = (when) => when.toTimeString().slice(0, 5);
  let busy = false, handled = 0;

  const keep = (tap) => localStorage.setItem(MARK + tap.id, JSON.stringify(tap));
  const drop = (id) => localStorage.removeItem(MARK + id);

  const waiting = (list, until) => list.length === 1 ? `1 tap waits on this tablet; it is sent when ${until}`
    : `${list.length} taps wait on this tablet; they are sent when ${until}`;

  /* What the tap will make of the card, until the server says it */
  function show(form, tap) {
    const state = form.closest(".state"), place = form.closest("[data-build], [data-run]");
    if (tap.what === "start" && state) {
      const text = document.createElement("p");
      text.className = "now";
      const step = form.querySelector("select[name=stage]")?.selectedOptions[0];
      const least = (step || form).dataset.least;
      text.textContent = `${step ? step.text : form.dataset.word.replace(/^Start /, "")} since ${clock(new Date(tap.at))}`;
      const stop = document.getElementById("local-stop").content.cloneNode(true);
      stop.querySelector("[name=run]").value = tap.id;
      if (least) stop.querySelector(".least").dataset.until = new Date(Date.parse(tap.at) + least * 60000).toISOString();
      else stop.querySelectorAll(".least, label").forEach((one) => one.remove());
      state.replaceChildren(text, stop);
      state.querySelector("button").focus();
      count();
    } else if (["stop", "earlier", "found", "failed"].includes(tap.what) && (state || place)) {
      const text = document.createElement("p");
      text.textContent = `${form.dataset.word} at ${clock(new Date(tap.at))}`;
      (state || place).replaceChildren(text);
    } else if (tap.what === "undo") {
      form.closest(".last").remove();
    }
  }

  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form.tap");
    if (!form) return;
    event.preventDefault();
    const tap = { id: newId(), at: new Date().toISOString(), order: Date.now() + kept().length / 1000 };
    for (const [name, value] of new FormData(form)) if (!["token", "id"].includes(name)) tap[name] = value;
    keep(tap);
    if (event.submitter) event.submitter.focus();
    show(form, tap);
    form.reset();
    say(`${form.dataset.word}: kept.`);
    send();
  });

  async function send() {
    const list = kept();
    if (busy || !list.length) return;
    busy = true;
    try {
      const answer = await fetch("/bench/taps", {
        method: "POST", headers: { "Content-Type": "application/json", "X-Token": board().dataset.token },
        body: JSON.stringify({ now: new Date().toISOString(), taps: list.slice(0, 100) }),
      });
      if (!answer.ok) {
        const fresh = await fetched();  // another session's page was opened on this tablet: its token is sent the next time
        if (fresh) board().dataset.token = fresh.dataset.token;
        say(`${waiting(kept(), "this page is opened again")}.`);
        return;
      }
      const answered = await answer.json();
      answered.taken.forEach(drop);
      answered.refused.forEach((one) => drop(one.id));
      const words = answered.refused.map((one) => one.says);
      if (answered.trouble) words.push(`${waiting(kept(), "the lead has mended this")}: ${answered.trouble}`);
      if (answered.clock_off_s) words.push(`This tablet's clock is ${Math.round(Math.abs(answered.clock_off_s) / 60)} min ${answered.clock_off_s > 0 ? "fast" : "slow"}; the server's counts.`);
      await renew(words.join(" ") || "Kept and sent.");
    } catch {
      say(`${waiting(kept(), "the network is back")}.`);
    } finally {
      busy = false;
    }
  }

  async function fetched() {
    const answer = await fetch(location.href);
    return answer.ok ? new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("board") : null;
  }

  const usual = (one) => one.tagName === "SELECT" ? ([...one.options].find((each) => each.defaultSelected) || one.options[0]).value : one.defaultValue;
  for (const what of ["focusin", "input"]) document.addEventListener(what, () => { handled = Date.now(); });
  /* Somebody types or chooses, and has not gone away meanwhile */
  const inHand = () => Date.now() - handled < 120000 && [...board().querySelectorAll("input:not([type=hidden]), select")]
    .some((one) => one === document.activeElement || one.value !== usual(one));

  async function renew(words) {
    const fresh = await fetched();
    if (fresh && !kept().length && !inHand()) {
      const place = document.activeElement.closest(".job");
      board().replaceWith(fresh);
      if (place) (document.getElementById(place.id) || board()).querySelector("button").focus({ preventScroll: true });
    }
    say(words);
    count();
  }

  function count() {
    for (const line of document.querySelectorAll(".least")) {
      const left = Math.ceil((new Date(line.dataset.until) - Date.now()) / 1000);
      const text = left > 0 ? `Least time: ${Math.floor(left / 60)} min ${String(left % 60).padStart(2, "0")} s left.` : "The least time is over.";
      if (line.textContent !== text) line.textContent = text;
      if (left <= 0) line.closest(".state").querySelectorAll("form [name=note][required]").forEach((one) => one.closest("label").remove());
    }
  }

  addEventListener("online", send);
  setInterval(send, 5000);
  setInterval(count, 1000);
  setInterval(() => { if (!kept().length && !document.querySelector("details.more[open]")) renew(document.getElementById("done").textContent).catch(() => {}); }, 30000);
  count();
  send();
})();
