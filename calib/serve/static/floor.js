/* The wall screen looks again every half minute; without this the page does so by itself every minute. */
"use strict";
setInterval(async () => {
  try {
    const answer = await fetch(location.href);
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("main");
    if (answer.ok && fresh) document.getElementById("main").replaceWith(fresh);
  } catch { /* the network is gone: what was shown stays, with its clock */ }
}, 30000);
