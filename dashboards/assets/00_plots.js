// Plotly's program is the largest that a plot waits for: Dash asks for it once a plot is in the
// document. Where the address leads to a page that opens with one, it is fetched with the document
// and run while the server makes the page.
(function () {
  "use strict";
  const jb = window.jointbook;
  const where = (document.getElementById("plot-program") || {}).content;
  if (!where) return;
  let begun = false;
  function begin() {
    if (begun || window.Plotly) return;
    begun = true;
    // Dash's plots wait for what stands under this name: until the program is there, that it comes.
    window.Plotly = new Promise(function (resolve, reject) {
      const script = document.createElement("script");
      script.src = where;
      script.onload = resolve;
      script.onerror = function () {
        begun = false;
        delete window.Plotly; // the next plot asks for it again
        reject(new Error("the plots' program did not arrive; load the page again"));
      };
      document.head.append(script);
    });
    window.Plotly.catch(() => {}); // a plot that waits tells of it
  }
  jb.requests.around(function (asked, ...words) {
    const answer = asked(...words);
    if (String(words[0]).includes("_dash-update-component")) begin();
    return answer;
  });
})();
