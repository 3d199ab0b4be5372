import { defineConfig } from "vite";

/** The page is one script and one style sheet; a second script and its library are fetched with the first solid view. */
export default defineConfig({
  base: "./",
  publicDir: false,
  build: {
    outDir: "../src/evenfield/workbench/page",
    emptyOutDir: true,
    assetsDir: "assets",
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    target: "es2022",
    sourcemap: false,
    chunkSizeWarningLimit: 700,
    rolldownOptions: {
      output: {
        entryFileNames: "assets/page-[hash].js",
        chunkFileNames: "assets/[name]-[hash].js",
        assetFileNames: "assets/[name]-[hash][extname]",
        codeSplitting: { groups: [{ name: "three", test: /node_modules[\\/]three/ }] },
      },
    },
  },
});
