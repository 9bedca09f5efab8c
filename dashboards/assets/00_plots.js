// Plotly's program is the largest that a plot waits for, and nearly all of it is for kinds of plots
// that no page has: what is fetched is its makers' own smaller one, with lines and bars only. Where
// the address leads to a page that opens with a plot, it comes with the document and runs while the
// server makes the page.
(function () {
  "use strict";
  const jb = window.jointbook;
  const { content: where, dataset: { early } } = document.getElementById("plot-program");
  let coming = null;
  function begin() {
    coming = coming || new Promise(function (resolve, reject) {
      const script = document.createElement("script");
      script.src = where;
      script.onload = () => resolve();
      script.onerror = function () {
        coming = null; // the next plot asks for it again
        reject(new Error("the plots' program did not arrive; load the page again"));
      };
      document.head.append(script);
    });
    coming.catch(() => {}); // a plot that waits tells of it
    return coming;
  }
  // Dash's plots wait for what stands under this name, and fetch the larger program where nothing
  // does; this begins to come when it is waited for, and the program takes the name over.
  window.Plotly = { then: (come, fail) => begin().then(come, fail) };
  if (!early) return;
  jb.requests.around(function (asked, ...words) {
    const answer = asked(...words);
    if (!coming && String(words[0]).includes("_dash-update-component")) begin();
    return answer;
  });
})();
