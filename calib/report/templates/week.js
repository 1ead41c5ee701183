/* a tap on a run, or the arrow keys, say what pointing at it says; the page is whole without this */
const say = (mark) => {
  const figure = mark.closest("figure");
  figure.querySelectorAll(".here").forEach((one) => one.classList.remove("here"));
  mark.classList.add("here");
  figure.querySelector(".words").textContent = mark.querySelector("title").textContent;
};
const marksOf = (figure) => [...figure.querySelectorAll("title")].map((title) => title.parentElement)
  .filter((mark) => mark.getClientRects().length);
document.addEventListener("click", (event) => {
  const mark = event.target.closest("figure svg :is(circle, path)");
  if (mark?.querySelector("title")) say(mark);
});
document.addEventListener("keydown", (event) => {
  const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  if (!step || !event.target.matches("figure[tabindex]")) return;
  const marks = marksOf(event.target), now = marks.findIndex((mark) => mark.classList.contains("here"));
  const next = now < 0 ? marks.length - 1 : Math.min(Math.max(now + step, 0), marks.length - 1);
  if (marks.length) say(marks[next]);
  event.preventDefault();
});
