// Everything stands: the page listens to its server from here on.
'use strict';

addEventListener('pagehide', () => {
  clearTimeout(bench.later);
  bench.events?.close();
});
addEventListener('pageshow', ({ persisted }) => { if (persisted) listen(); }); // the browser had kept it
for (const each of bench.on.shown) each();
listen();
