import { readFileSync } from "node:fs";
import { defineConfig, type Plugin } from "vite";

/** The licences of what is built in go with it. */
const licences: Plugin = {
  name: "licences",
  generateBundle() {
    const texts = ["three", "uplot"].map((name) => `${name}\n\n${readFileSync(`node_modules/${name}/LICENSE`, "utf8")}`);
    this.emitFile({ type: "asset", fileName: "licences.txt", source: texts.join("\n\n") });
  },
};

/** The page is one script and one style sheet; a second script and its library are fetched with the first solid view. */
export default defineConfig({
  base: "./",
  publicDir: false,
  plugins: [licences],
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
